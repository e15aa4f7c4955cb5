"""``python -m monitor.cli``: the same as ``lifebound``."""

import sys

from monitor.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
