"""Run the command line as ``python -m carrierfloor.cli``."""

import sys

from carrierfloor.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
