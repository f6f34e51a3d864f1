"""
Chemistry and units.

`carbonate` goes from pH and KH to CO2 and back, with its `constants`; `recipe` mixes fluid of a wanted KH; `units` is
the one table of what may be typed and shown.
"""
