"""The web layer: Flask; it parses, calls and prints, and is the only place that knows HTTP."""
