"""``python -m longsoak_demo``."""

import sys

from longsoak_demo.command import main

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
