"""``python -m renderer`` is the command ``echowright``."""

import sys

from renderer.cli import main

if __name__ == "__main__":
    sys.exit(main())
