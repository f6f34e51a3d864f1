"""Within which numbers of a keeper are taken; without imports, so that the command line may tell them at once."""

KH_RANGE_DKH = (0.25, 30.0)
"""Carbonate hardness that any fluid or tank may have [dKH]."""
TEMPERATURE_RANGE_C = (5.0, 40.0)
"""Temperature that any fluid or tank may have [degC]."""
