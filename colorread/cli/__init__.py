"""The command line, one module a command."""

from colorread.cli.commands import app, main

__all__ = ["app", "main"]
