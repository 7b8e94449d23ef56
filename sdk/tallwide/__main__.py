"""`python -m tallwide`, and the installed command.

`--version` is answered before anything is loaded: farms and wrappers ask for it all the time.
"""

import sys

from tallwide.version import VERSION


def main() -> int:
    """Run the command line and return its exit code."""
    if sys.argv[1:] == ["--version"]:
        print(f"tallwide {VERSION}")
        return 0
    from tallwide.cli import main as run  # noqa: PLC0415

    return run()


if __name__ == "__main__":
    sys.exit(main())
