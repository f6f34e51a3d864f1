"""The log: readings and tanks in one SQLite file."""
