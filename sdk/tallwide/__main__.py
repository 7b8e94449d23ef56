"""`python -m tallwide`."""

from tallwide.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
