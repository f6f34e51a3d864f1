"""The report of a tank as one HTML page, and its plots."""
