"""Lets ``python -m colorread`` run the command line."""

from colorread.cli import main

if __name__ == "__main__":
    main()
