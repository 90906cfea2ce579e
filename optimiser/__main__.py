"""``python -m optimiser`` is the command ``optimiser``."""

import sys

from optimiser.cli import main

if __name__ == "__main__":
    sys.exit(main())
