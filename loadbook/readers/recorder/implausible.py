"""What a channel holds that no furnace does: asked with the option that affirms it, or told with its line.

Each check looks at one settled channel (or at two of them), finds one kind of trouble, and knows nothing of the rest.
"""

from __future__ import annotations

import warnings

import numpy as np

from loadbook.analysis.trace.model import Floats
from loadbook.core.units import F_PER_C, ZERO_C_IN_K

COLDEST_C, HOTTEST_C = -ZERO_C_IN_K, 3000.0
JUMP_C = 100.0
SPIKE_C = 8.0  # and fifteen times the usual step: less is noise
FLOOR_C = 350.0  # a pyrometer's range seldom begins lower
FULL_SPEED = 2.0  # the next sample above a floor is farther off than this many times what counts as on it
HIGHEST_MBAR = 1e8  # no gauge reads beyond: presses have some thousand bar, and an off gauge is written 9.9e37
ROOM_K, ROOM_APART_K = (286.0, 305.0), 6.0  # 13 to 32 °C; a cold load and its furnace are as near to one another
HEATED_K, FEWEST_IN_K = 50.0, 3
# Numbers that converters and recorders write for an open circuit: the ends of thermocouple tables (in °F too), of 8- to
# 16-bit scales and of single-chip sensors. Common practice, not a standard.
SENTINELS = (
    1372.0, 1820.0, 1768.0, 1300.0, 1023.75, 2047.75, 2047.9375, 472.0, 85.0, -127.0, -196.6, -242.02,
    -270.0, -200.0, -45.0, -46.85, 2501.6, 2502.0, 3308.0, 3214.4, 2372.0, -454.0, -328.0, 32767.0, 32768.0,
    -32768.0, 3276.7, -3276.8, 65535.0, 6553.5, 999.0, 999.9, 9999.0, 9999.9, -999.0, -999.9, -9999.0, 9.9e37, -9.9e37,
)  # fmt: skip


def beyond_sensors(celsius: Floats) -> np.ndarray:
    """Which samples no temperature sensor reads (n, bool)."""
    with np.errstate(invalid="ignore"):
        return np.asarray((celsius > HOTTEST_C) | (celsius < COLDEST_C))


def beyond_gauges(mbar: Floats) -> np.ndarray:
    """Which samples no pressure gauge reads (n, bool)."""
    with np.errstate(invalid="ignore"):
        return np.asarray((mbar > HIGHEST_MBAR) | (mbar < -HIGHEST_MBAR))


def lone_sentinels(raw: Floats, celsius: Floats) -> dict[float, int]:
    """Known numbers for an open circuit that a channel jumps to, or never leaves: number -> samples."""
    found = {}
    low, high = (float(raw.min()), float(raw.max())) if len(raw) else (np.inf, -np.inf)
    for number in SENTINELS:
        if not low <= number <= high:
            continue
        hit = raw == number
        count = int(hit.sum())
        if not count:
            continue
        if count == len(raw):
            if abs(number) >= 400.0 or number < -100.0:
                found[number] = count
            continue
        edges = np.flatnonzero(np.diff(hit.astype(np.int8)))
        if (np.abs(celsius[edges + 1] - celsius[edges]) > JUMP_C / 2).all() and not _passed(raw, hit, number):
            found[number] = count
    return found


def _passed(raw: Floats, hit: np.ndarray, number: float) -> bool:
    """Is each sample of a number one on the way from above to below it, or from below to above, as a load in a quench
    is that falls by 60 °C from sample to sample? An open circuit is come to and left again, or never left."""
    at = np.flatnonzero(hit)
    if at[0] == 0 or at[-1] == len(raw) - 1:
        return False
    return bool(((raw[at - 1] - number) * (raw[at + 1] - number) < 0.0).all())


def mostly_one(raw: Floats, celsius: Floats) -> float | None:
    """The number that nine in ten samples are, where the others lie far from it; None where there is none."""
    if len(raw) < 5 or int((raw[1:] == raw[:-1]).sum()) < 0.8 * len(raw) - 1:
        return None  # of nine in ten alike at least eight in ten stand beside one another
    middle = np.partition(raw, len(raw) // 2)[len(raw) // 2]  # what nine in ten samples are stands in the middle
    count = int((raw == middle).sum())
    if count == len(raw) or count < 0.9 * len(raw):
        return None
    others = celsius[raw != middle]
    level = celsius[raw == middle][0]
    return float(middle) if (np.abs(others - level) > JUMP_C).all() else None


def first_zeros(values: Floats, temperatures: list[int]) -> tuple[list[int], int]:
    """Channels (of those given) that begin with exact zeros and go on far from them, where at least half of them do;
    and how many rows of them there are."""
    if values.shape[1] < 3 or not temperatures:
        return [], 0
    zero = (values[temperatures] == 0).mean(axis=0) >= 0.5
    count = int(np.argmin(zero)) if not zero.all() else 0
    if not 0 < count <= max(1, values.shape[1] // 10) or count + 2 > values.shape[1]:
        return [], 0
    begun = [
        i for i in temperatures if (values[i, :count] == 0).all() and (np.abs(values[i, count : count + 2]) > 5).all()
    ]
    return (begun, count) if begun and len(begun) >= 0.5 * len(temperatures) else ([], 0)


def held_for(raw: Floats) -> int:
    """Samples for which a channel that changes in large steps holds each value, as a recorder does that is asked more
    often than it measures; 0 where it does not."""
    changes = np.flatnonzero(np.diff(raw))
    if len(changes) < 8:
        return 0
    apart = np.diff(changes)
    usual = int(np.median(apart))
    large = float(np.median(np.abs(np.diff(raw)[changes]))) >= max(1.0, 5.0 * _step(raw))
    return usual if usual >= 4 and large and (apart % usual == 0).mean() >= 0.9 else 0


def false_start(raw: Floats, celsius: Floats) -> tuple[float, int] | None:
    """(number, samples) where a channel begins with two or more samples of exactly one number and then jumps, as it
    never does again; None where it does not."""
    at = int((raw != raw[0]).argmax())  # 0 where nothing moves
    if len(raw) < 20 or not 2 <= at <= 0.1 * len(raw):
        return None
    steps = np.abs(np.diff(celsius))
    others = np.concatenate([steps[: at - 1], steps[at:]])
    if steps[at - 1] > max(15.0, 5.0 * float(others.max()), 50.0 * float(np.median(steps))):
        return float(raw[0]), at
    return None


def spikes(celsius: Floats) -> np.ndarray:
    """Samples that leave the course of a channel by far and are back at the next one (indexes)."""
    if len(celsius) < 5:
        return np.array([], int)
    step = np.diff(celsius)
    if not (np.abs(step) > SPIKE_C).any():
        return np.array([], int)
    usual = float(np.median(np.abs(step)))
    before, after = step[:-1], step[1:]
    limit = max(SPIKE_C, 15.0 * usual)
    hit = (np.abs(before) > limit) & (np.abs(after) > limit) & (np.sign(before) != np.sign(after))
    back = np.abs(before + after) < 0.3 * np.minimum(np.abs(before), np.abs(after))
    return np.flatnonzero(hit & back) + 1


def counts_time(raw: Floats, t: Floats, called_temperature: bool = False) -> bool:
    """Is a channel a count of rows or of seconds, minutes or milliseconds: it rises as time does.

    called_temperature  its heading says that it is one: then a steady 1 °C per row, minute or hour is a ramp, unless it
                        begins at 0 or 1 as counts do; 1 °C a second all the time is none
    """
    if len(raw) < 20 or np.ptp(raw) == 0:
        return False
    steps = np.diff(raw)
    ramp = called_temperature and raw[0] not in (0.0, 1.0)
    if (steps == 1).all() and not (ramp and np.median(np.diff(t)) >= 2.0):
        return True
    elapsed, passed = raw - raw[0], t - t[0]
    room = max(1e-3 * float(passed[-1]), 1e-9)
    for unit in (1.0, 0.001) if ramp else (1.0, 60.0, 3600.0, 0.001):
        if abs(elapsed[-1] * unit - passed[-1]) > room:
            continue
        if np.abs(elapsed * unit - passed).max() <= room and (steps > 0).mean() > 0.9:
            return True
    return False


def floor_of(celsius: Floats) -> float | None:
    """The level that a channel starts and ends on and never goes below, far above any room: the floor of a pyrometer's
    range. None where it has none. It comes down to a floor at full speed, and to an idling furnace's level slowly."""
    if len(celsius) < 50:
        return None
    low, high = float(celsius.min()), float(celsius.max())
    width = max(1.0, 0.004 * (high - low))
    near = celsius <= low + width
    if low < FLOOR_C or high - low < 50 or not near[0] or not near[-1] or near.mean() < 0.01:
        return None
    above = np.flatnonzero(~near)
    if celsius[above[-1]] - low < FULL_SPEED * width and celsius[above[0]] - low < FULL_SPEED * width:
        return None
    return float(celsius[near].max())


def changed_over(values: Floats, t: Floats, temperatures: list[int]) -> list[tuple[int, int, int]]:
    """(channel, other channel, sample) where one goes on as the other did and the other way round. Of two temperatures
    only where both jump faster than a furnace can."""
    found = []
    own = np.isin(np.arange(len(values)), temperatures)
    fast = np.concatenate([[0.0], np.diff(t)]) <= 60.0
    for i in temperatures:
        step = np.abs(np.diff(values[i]))
        for k in np.flatnonzero(step > JUMP_C)[:50]:
            before = _at_its_end(values[:, max(0, k - 4) : k + 1])
            after = _at_its_end(values[:, k + 1 : k + 6][:, ::-1])
            far = abs(after[i] - before[i])
            with np.errstate(invalid="ignore"):
                crossed = (np.abs(after[i] - before) < 0.2 * far) & (
                    np.abs(after - before[i]) < np.where(own, 0.2 * far, 0.6 * np.abs(after - before))
                )
                crossed &= np.abs(after - before) > 0.5 * far
            others = [j for j in np.flatnonzero(crossed) if j != i and (j not in temperatures or fast[k + 1])]
            if others:
                found.append((i, int(others[0]), int(k + 1)))
                break
    return found


def _at_its_end(values: Floats) -> Floats:
    """Where each row stands at its end: its median, and from there on at its usual step."""
    level = _medians(values)
    step = _medians(np.diff(values, axis=1)) if values.shape[1] > 2 else np.zeros(len(values))
    return np.asarray(level + np.nan_to_num(step) * (values.shape[1] - 1) / 2.0)


def in_two_units(raw: Floats, temperatures: list[int], units: list[str]) -> list[tuple[int, int]]:
    """(channel, other channel) of those given, read in one unit, where the other is 1.8 times the first and 32 in every
    row, as far as both are rounded: the same reading in °C and in °F."""
    some = raw[:, :: max(1, raw.shape[1] // 60)]
    return [
        (i, j)
        for i in temperatures
        for j in temperatures
        if j != i and units[j] == units[i] and _in_fahrenheit(some[i], some[j], 1.0 + F_PER_C, 10)
        and _in_fahrenheit(raw[i], raw[j], _step(raw[j]) + F_PER_C * _step(raw[i]), 20)
    ]  # fmt: skip


def unit_switches(values: Floats, temperatures: list[int]) -> list[tuple[int, str]]:
    """(sample, unit) from which all temperatures go on as if the display had been switched to that unit: two channels
    at least, all within one step.
    """
    some = values[temperatures]
    if len(temperatures) < 2 or some.shape[1] < 3:
        return []
    steps = np.abs(np.diff(some, axis=1))
    with np.errstate(invalid="ignore"):
        at = np.flatnonzero((steps > 25.0).any(axis=0))
    if not len(at):
        return []
    usual = _medians(steps)[:, None]
    before, after = some[:, at], some[:, at + 1]
    far = steps[:, at] > np.maximum(25.0, 10.0 * usual)
    found = []
    for unit, meant in (("f", before * F_PER_C + 32.0), ("c", (before - 32.0) / F_PER_C)):
        near = np.abs(after - meant) <= 3.0 + 3.0 * usual
        known = ~np.isnan(before) & ~np.isnan(after)
        hit = ((near & far) | ~known).all(axis=0) & (known.sum(axis=0) >= 2)
        found += [(int(k) + 1, unit) for k in at[hit]]
    return sorted(found)


def as_the_others(values: Floats, temperatures: list[int], units: list[str]) -> list[tuple[int, str]]:
    """(channel, unit) of channels that run as the others do once they are taken for the other unit, cold and hot alike.

    values  °C, by the units that the channels were read in
    """
    out = []
    some = values[:, :: max(1, values.shape[1] // 500)]
    for i in temperatures:
        others = [j for j in temperatures if j != i]
        if not others or units[i] not in ("c", "f"):
            continue
        about = _medians(some[others].T)
        known = ~(np.isnan(about) | np.isnan(some[i]))
        own, about = some[i][known], about[known]
        if len(own) < 20 or (span := float(np.ptp(about))) < 150.0:
            continue
        meant = (own - 32.0) / F_PER_C if units[i] == "c" else own * F_PER_C + 32.0
        cold = int(np.argmin(about))
        hot = about >= float(about.max()) - 0.1 * span
        near, far = float(np.median(np.abs(meant - about)[hot])), float(np.median(np.abs(own - about)[hot]))
        apart = 25.0 if units[i] == "c" else 14.0  # at room temperature
        at_first = abs(meant[cold] - about[cold]) <= 10.0 and abs(own[cold] - about[cold]) >= apart
        if at_first and near <= 0.1 * span and far >= 3.0 * near:
            out.append((i, "f" if units[i] == "c" else "c"))
    return out


def in_kelvin(raw: Floats, temperatures: list[int], work: bool) -> bool:
    """Do some channels (of raw) that are read in °C begin at room temperature in kelvin, and never go below?

    work  a work TC is among them: a furnace may idle at 300 °C, a load is put in cold. Without one their last digits
          must be those of 273.15 and a rounder number
    """
    firsts, lows, highs = [], [], []
    for own in raw[temperatures]:
        known = own[~np.isnan(own)]
        if len(known) < 10:
            return False
        firsts.append(float(known[0]))
        lows.append(float(known.min()))
        highs.append(float(known.max()))
    if not firsts or not (ROOM_K[0] <= min(firsts) and max(firsts) <= ROOM_K[1]):
        return False
    if max(firsts) - min(firsts) > ROOM_APART_K or min(lows) < min(firsts) - ROOM_APART_K:
        return False
    if max(highs) < max(firsts) + HEATED_K:
        return False
    return (work and len(firsts) >= FEWEST_IN_K) or _rounder_less_273(raw[temperatures])


def _rounder_less_273(raw: Floats) -> bool:
    """Are all values 273.15 more than a number of one decimal, as they are in no other unit?"""
    hundredths = np.rint(raw[~np.isnan(raw)] * 100.0)
    exact = np.abs(raw[~np.isnan(raw)] * 100.0 - hundredths) < 1e-3
    return bool(exact.all() and (hundredths % 10 == 5).all())


def _in_fahrenheit(celsius: Floats, other: Floats, room: float, fewest: int) -> bool:
    fahrenheit = celsius * F_PER_C + 32.0
    off = np.abs(other - fahrenheit)
    off = off[~np.isnan(off)]
    if len(off) < fewest or (off > room).any():
        return False
    return bool(np.nanmax(fahrenheit) - np.nanmin(fahrenheit) > room)


def _step(raw: Floats) -> float:
    """The smallest step between two samples, at most 1; 0 where nothing changes."""
    steps = np.abs(np.diff(raw[~np.isnan(raw)]))
    steps = steps[steps > 1e-9]
    return min(1.0, float(steps.min())) if len(steps) else 0.0


def falls_alone(lows: dict[int, float]) -> list[int]:
    """Channels that go far below zero while all others stay above: index -> lowest °C."""
    return [
        i
        for i, low in lows.items()
        if low < -60.0 and min((v for j, v in lows.items() if j != i and v >= -60.0), default=-60.0) > -30.0
        and sum(v < -60.0 for v in lows.values()) <= max(1, len(lows) // 4)
    ]  # fmt: skip


def slipped_rows(values: Floats) -> np.ndarray:
    """Rows with a missing value in which the values before (or after) it fit their neighbours' columns and not their
    own: cells that slipped by one column (indexes)."""
    if not np.isnan(values).any():
        return np.array([], int)
    values = values[~np.isnan(values).all(axis=1)]
    channels, n = values.shape
    if channels < 3 or n < 10:
        return np.array([], int)
    gaps = np.flatnonzero(np.isnan(values).any(axis=0) & (~np.isnan(values)).any(axis=0))
    if not len(gaps) or len(gaps) > 0.3 * n:
        return np.array([], int)
    usual = _medians(np.abs(np.diff(values, axis=1)))
    usual = np.where(np.isnan(usual), 0.0, usual)
    out = []
    for k in gaps:
        around = [i for i in range(max(0, int(k) - 5), min(n, int(k) + 6)) if i != k]
        near = _medians(values[:, around])
        row = values[:, k]
        for blank in np.flatnonzero(np.isnan(row)):
            if np.isnan(near[blank]):
                continue  # the channel has no values around here at all
            if _slipped(row, near, usual, int(blank)):
                out.append(int(k))
                break
    return np.array(out, int)


def _slipped(row: Floats, near: Floats, usual: Floats, blank: int) -> bool:
    """Do some cells before the blank fit one column further right, and not where they stand."""
    for begin in range(blank - 1, -1, -1):
        if np.isnan(row[begin]):
            return False
        own = np.abs(row[begin:blank] - near[begin:blank])
        moved = np.abs(row[begin:blank] - near[begin + 1 : blank + 1])
        room = np.maximum(20 * usual[begin + 1 : blank + 1], 0.25)
        if (moved <= room).all() and (own > 4 * np.maximum(moved, room)).any() and own.sum() > 4 * moved.sum():
            return True
    return False


def _medians(values: Floats) -> Floats:
    """The median of each row's known values, NaN where it has none."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(np.nanmedian(values, axis=1), float)
