"""Lets ``python -m audiodiag`` do what ``audiodiag`` does."""

from audiodiag.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
