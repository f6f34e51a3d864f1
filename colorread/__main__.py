"""Run the command line with ``python -m colorread``."""

from colorread.cli import main

if __name__ == "__main__":
    main()
