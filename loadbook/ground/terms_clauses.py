"""Clauses and rules: what each one asks, how it is decided, and where it comes from.

`loadbook explain` prints these; the judge takes its sentences' words from here too.
"""

from __future__ import annotations

from .vocabulary import Term

# Uniformity classes: number -> (plus or minus in °C, plus or minus in °F). The two editions state their own
# figures; neither is the other's conversion. SAE AMS2750 (wording of revision F). Data that a cycle may name.
UNIFORMITY_CLASSES: dict[int, tuple[int, int]] = {
    1: (3, 5),
    2: (6, 10),
    3: (8, 15),
    4: (10, 20),
    5: (14, 25),
    6: (28, 50),
}

TERMS: tuple[Term, ...] = ()
