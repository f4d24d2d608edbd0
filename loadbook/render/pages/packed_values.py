"""Many values in few letters, for the page's script: a trace changes little from one sample to the next.

A letter is a step from the value before (the first one from 0), in units of the last decimal told: `a` to `z` are 0 to
25, `A` to `Z` are -1 to -26; a larger step is a number with its sign, and a sample without a value is a point.
"""

from __future__ import annotations

import re

import numpy as np

from loadbook.render.charts.scale import Floats

_LETTERS = np.frombuffer(b"ZYXWVUTSRQPONMLKJIHGFEDCBAabcdefghijklmnopqrstuvwxyz", np.uint8)
_LEAST, _MOST = -26, 25
_STEP = re.compile(r"[A-Za-z.]|[+-]\d+")


def packed(values: Floats, decimals: int) -> str:
    """Values (n,), rounded to so many decimals; NaN and infinity are samples without a value.

    >>> packed(np.array([2.2, 2.1, np.nan, 2.4, 90.0]), 1)
    'wA.d+876'
    """
    whole = np.rint(values * 10.0**decimals)
    known = np.isfinite(whole)
    steps = np.zeros(whole.size)
    steps[known] = np.diff(whole[known], prepend=0.0)
    large = np.flatnonzero(known & ((steps < _LEAST) | (steps > _MOST)))
    letters = _LETTERS[(np.clip(steps, _LEAST, _MOST) - _LEAST).astype(np.intp)]
    letters[~known] = ord(".")
    text = letters.tobytes().decode("ascii")
    out, start = [], 0
    for k in large.tolist():
        out += [text[start:k], f"{int(steps[k]):+d}"]
        start = k + 1
    return "".join([*out, text[start:]])


def packed_moments(t_s: Floats) -> str:
    """Moments (n,) [s] as the steps between them [ms]. Each moment is rounded and not each step, whose remainders would
    add up: those of a sample every ten thirds of a second to three seconds in eight hours.

    >>> packed_moments(np.array([0.0, 10.0, 20.0, 30.001]))
    'a+10000ab'
    """
    return packed(np.diff(np.round(t_s, 3), prepend=0.0), 3)


def unpacked(text: str, decimals: int) -> list[float | None]:
    """What the page's script reads out of it.

    >>> unpacked("wA.d+876", 1)
    [2.2, 2.1, None, 2.4, 90.0]
    """
    out: list[float | None] = []
    whole = 0
    for step in _STEP.findall(text):
        if step == ".":
            out.append(None)
            continue
        whole += int(step) if step[0] in "+-" else ord(step) - 97 if step >= "a" else 64 - ord(step)
        out.append(whole / 10**decimals)
    return out
