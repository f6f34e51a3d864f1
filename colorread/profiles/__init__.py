"""Calibration from photos: measuring known fluid and charts, and showing what came of it."""
