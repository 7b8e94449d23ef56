"""tallwide: framing for pictures that leave one camera in several shapes."""

from tallwide.version import VERSION as __version__

__all__ = ["__version__"]
