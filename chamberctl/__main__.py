"""python -m chamberctl."""

import sys

from chamberctl.cli import main

if __name__ == "__main__":
    sys.exit(main())
