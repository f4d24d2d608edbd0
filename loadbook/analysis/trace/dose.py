"""Dose: the time-temperature exposure as a Hollomon-Jaffe parameter, carried as a state.

P = T_K (C + log10 t_h). At a changing temperature the state is carried: from P follows the time that would have
given it at the new temperature; the step is added there and P taken again. Splitting an isothermal hour into seconds
gives the isothermal value; summing the formula step by step would not. Doses are kept in thousands.
Source: Hollomon & Jaffe, Trans. AIME 162 (1945) 223-249; EN 13445-4:2021, (11.1-1). 0 °C = 273.15 K.
"""

from __future__ import annotations

import numpy as np

from loadbook.core.units import ZERO_C_IN_K

from .model import Floats
from .validity import Mask

USUAL_CONSTANT = 20.0
FEW_STEPS = 256  # up to here the exact recursion is as fast
IGNORED_BELOW = 0.4  # temperatures below T_hottest / 1.4 (in K) add under 1e-5 of the dose's time in ten hours
LN10 = float(np.log(10.0))


def equivalent_hours(dose: float | Floats, temperature_c: float | Floats, constant: float = USUAL_CONSTANT) -> Floats:
    """Time [h] at one temperature [°C] that gives a dose [thousands].

    >>> round(float(equivalent_hours(17.463, 620.0)), 4)  # an hour at 600 °C
    0.3566
    """
    kelvin = np.asarray(temperature_c, dtype=float) + ZERO_C_IN_K
    return np.asarray(10.0 ** (1000.0 * np.asarray(dose) / kelvin - constant))


def doses(t_s: Floats, values_c: Floats, constant: float | Floats = USUAL_CONSTANT) -> Floats:
    """Dose [thousands] of many temperature histories on one time axis, the state carried over every step.

    t_s       (n,) seconds, rising
    values_c  (channels, n) °C without missing samples; between two samples the mean of both counts
    constant  one, or (channels,)
    Returns   (channels,); 0 for fewer than two samples
    Method    the state as hours s at the channel's own hottest temperature T*: ds/dt = (T/T*) 10^(-C q) s^(-q),
              q = T*/T - 1. Solved for all channels and samples at once by repeated integration, which contracts by q
              (small wherever it matters); up to 256 steps by the exact recursion. Agreement with it: below 2e-5.

    >>> t = np.arange(0.0, 3601.0, 1.0)
    >>> round(float(doses(t, np.full((1, t.size), 600.0))[0]), 3)
    17.463
    """
    values_c = np.atleast_2d(np.asarray(values_c, dtype=float))
    channels, n = values_c.shape
    c = np.broadcast_to(np.asarray(constant, dtype=float), (channels,))
    if n < 2 or channels == 0:
        return np.zeros(channels)
    hours = np.diff(t_s) / 3600.0
    kelvin = 0.5 * (values_c[:, 1:] + values_c[:, :-1]) + ZERO_C_IN_K
    if n - 1 <= FEW_STEPS:
        return _recursion(hours, kelvin, c)
    hottest = kelvin.max(axis=1)
    matters = (kelvin * (1.0 + IGNORED_BELOW) >= hottest[:, None]).any(axis=0)
    first, last = int(np.argmax(matters)), matters.size - int(np.argmax(matters[::-1]))
    return _integrated(hours[first:last], kelvin[:, first:last], hottest, c)


def _recursion(hours: Floats, kelvin: Floats, constant: Floats) -> Floats:
    """The exact recursion over steps, all channels at once."""
    equal = np.zeros(kelvin.shape[0])  # log10 of the hours carried at the step's temperature
    for i in range(hours.size):
        if i == 0:
            equal = np.full(kelvin.shape[0], np.log10(hours[0]))
            continue
        moved = kelvin[:, i - 1] * (constant + equal) / kelvin[:, i] - constant
        equal = np.logaddexp(moved * LN10, np.log(hours[i])) / LN10
    return np.asarray(kelvin[:, -1] * (constant + equal) / 1000.0)


def _integrated(hours: Floats, kelvin: Floats, hottest: Floats, constant: Floats) -> Floats:
    """Repeated integration of the state (see doses)."""
    q = hottest[:, None] / kelvin - 1.0
    weight = np.exp(-LN10 * constant[:, None] * q)
    weight *= hours
    weight /= 1.0 + q
    weight[q > IGNORED_BELOW] = 0.0
    q[weight == 0.0] = 0.0  # what adds nothing must not raise an empty state to a power
    state = np.cumsum(weight, axis=1)
    end = state[:, -1].copy()
    for _ in range(30):
        middle = np.empty_like(state)
        middle[:, 0] = 0.5 * state[:, 0]
        np.add(state[:, 1:], state[:, :-1], out=middle[:, 1:])
        middle[:, 1:] *= 0.5
        np.maximum(middle, 1e-300, out=middle)
        np.log(middle, out=middle)
        middle *= q
        np.negative(middle, out=middle)
        np.exp(middle, out=middle)
        middle *= weight
        np.cumsum(middle, axis=1, out=state)
        change = np.abs(state[:, -1] - end) / end
        end = state[:, -1].copy()
        if change.max() < 1e-6:
            break
    return np.asarray(hottest * (constant + np.log10(end)) / 1000.0)


def filled_for_dose(t_s: Floats, values_c: Floats, longest_s: float) -> tuple[Floats, Mask]:
    """Histories with short gaps crossed by straight lines, and which channels can carry a dose at all.

    A channel that is unseen for longer than longest_s between its first and last valid sample, or that starts later
    or ends sooner than the trace by more than that, has no dose: half a history would pass for a small exposure.
    """
    values_c = np.atleast_2d(values_c)
    good = np.ones(values_c.shape[0], dtype=bool)
    missing = np.isnan(values_c)
    if t_s.size and float(np.max(np.diff(t_s), initial=0.0)) > longest_s:
        good[:] = False
    if not missing.any():
        return values_c, good
    out = values_c.copy()
    for i in np.flatnonzero(missing.any(axis=1)):
        ok = np.flatnonzero(~missing[i])
        if ok.size < 2:
            good[i] = False
            continue
        late, early = t_s[ok[0]] - t_s[0], t_s[-1] - t_s[ok[-1]]
        if max(float(np.max(np.diff(t_s[ok]))), float(late), float(early)) > longest_s:
            good[i] = False
        out[i] = np.interp(t_s, t_s[ok], values_c[i, ok])
    return out, good
