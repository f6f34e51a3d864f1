"""Reads dissolved CO2 from a photo of a drop checker."""
