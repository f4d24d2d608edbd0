"""Physics as checks of mechanism, never as a prediction of movement: whether a thing can act at all, and how far off it
is. Thermal stress against yield, relief, sag under own weight, size change, scale, evaporation.

Pure functions of the standard library; published values stand as data beside them, each with its source and how it was
verified (`tables`). A value from memory informs and never decides. `checks` brings them together for a plan.
"""
