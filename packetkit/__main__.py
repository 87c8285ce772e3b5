"""Lets `python -m packetkit` be the program, where a console script is not on the path."""

import sys

from packetkit.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
