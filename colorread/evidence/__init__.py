"""The evidence picture of a reading."""
