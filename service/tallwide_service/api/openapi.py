"""The OpenAPI document, as the app makes it: `python -m tallwide_service.api.openapi [--write PATH]`."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from tallwide_service.api.app import contract


def document() -> str:
    """Return the document as text, the same bytes for the same service."""
    return json.dumps(contract(), indent=1, ensure_ascii=False) + "\n"


def main() -> None:
    """Print the document, or write it to a file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", type=Path, help="file to write instead of standard output")
    options = parser.parse_args()
    if options.write:
        options.write.write_text(document(), encoding="utf-8")
    else:
        sys.stdout.write(document())


if __name__ == "__main__":
    main()
