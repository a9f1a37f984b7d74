"""python -m chamberctl.cli."""

import sys

from chamberctl.cli import main

sys.exit(main())
