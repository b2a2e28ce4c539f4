"""`python -m sim` is the command `chainfilm`."""

import sys

from sim.front import main

if __name__ == "__main__":
    sys.exit(main())
