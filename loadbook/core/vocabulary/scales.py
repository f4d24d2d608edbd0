"""Units of what is not a length: hardness scales, stress, angle, grain size; each with the range that it can show.

A hardness is a number on a scale, and no scale is turned into another: tables of conversion (ISO 18265, ASTM E140)
hold for some materials and within an error that is larger than most tolerances. MPa and ksi are one quantity.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

MPA_PER_KSI = 6.894757293168  # NIST SP 811, appendix B

# scale: (least, most) that a reading on it can be. Rockwell, Brinell: what the standards call valid (ISO 6508-1,
# ISO 6506-1), widened by what shops write down of soft and hard pieces; HV, HK: up to hard coatings
RANGES: dict[str, tuple[float, float]] = {
    "HRC": (8.0, 72.0), "HRB": (15.0, 105.0), "HRA": (20.0, 95.0), "HR15N": (60.0, 96.0), "HR30N": (35.0, 88.0),
    "HR45N": (15.0, 80.0), "HR15T": (60.0, 96.0), "HR30T": (25.0, 85.0), "HR45T": (5.0, 78.0),
    "HV": (30.0, 3500.0), "HK": (30.0, 3500.0), "HB": (20.0, 750.0),
    "MPa": (-3000.0, 3000.0), "ksi": (-435.0, 435.0), "deg": (-360.0, 360.0), "rad": (-6.2832, 6.2832),
    "mrad": (-6283.2, 6283.2), "arcmin": (-21600.0, 21600.0), "arcsec": (-1296000.0, 1296000.0),
    "G": (-3.0, 15.0), "%": (0.0, 100.0),
}  # fmt: skip
OF_KIND: dict[str, tuple[str, ...]] = {
    "hardness": tuple(s for s in RANGES if s.startswith("H")),
    "residual stress": ("MPa", "ksi"),
    "angle": ("deg", "rad", "mrad", "arcmin", "arcsec"),
    "grain size": ("G",),
    "retained austenite": ("%",),
}
_BY_FOLD = {s.lower(): s for s in RANGES} | {"°": "deg", "degree": "deg", "degrees": "deg", "'": "arcmin", '"': "arcsec",
                                             "n/mm2": "MPa", "n/mm²": "MPa"}  # fmt: skip
_LOAD = re.compile(r"^(hv|hk|hbw|hbs|hb)[\s_]*[\d.,/]*$")  # HV 10, HV0.3, HBW 10/3000

# what a header may say of a reading's scale: value_hrc, value_mpa, ...
IN_NAMES = ("hrc", "hrb", "hra", "hv", "hk", "hb", "mpa", "ksi", "deg")


def scale_of(unit: str | None) -> str | None:
    """The scale that a unit belongs to, a key of RANGES; None where it is not known.

    >>> scale_of("HV 10"), scale_of("HBW 10/3000"), scale_of("hrc"), scale_of("°"), scale_of("mm")
    ('HV', 'HB', 'HRC', 'deg', None)
    """
    folded = " ".join((unit or "").lower().split())
    load = _LOAD.match(folded)
    if load:
        return "HB" if load[1].startswith("hb") else load[1].upper()
    return _BY_FOLD.get(folded)


def turned(value: float, typed: str, kept: str) -> float | None:
    """A reading typed on one scale as a figure of another; None where there is no exact conversion.

    >>> turned(10.0, "ksi", "MPa"), turned(58.0, "HRC", "HV"), turned(58.0, "HRC", "HRC")
    (68.94757293168, None, 58.0)
    """
    if typed == kept:
        return value
    factor: Mapping[tuple[str, str], float] = {("ksi", "MPa"): MPA_PER_KSI, ("MPa", "ksi"): 1.0 / MPA_PER_KSI}
    found = factor.get((typed, kept))
    return None if found is None else value * found
