"""Fewer samples for a picture, honestly: in every stretch of time the lowest and the highest sample stay.

A line drawn through what is kept has every peak and every dip of the whole trace, at the moment at which it was.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .model import Floats

Indexes = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Thinning:
    """Which samples of a trace a picture rests on.

    stretch  (n,) number of the stretch of time that each sample lies in;  stretches  how many there are
    moments  indexes of the first sample of each stretch: the moments at which all channels are told together
    whole    True where nothing has to be left out: then every sample is drawn and told
    """

    stretch: Indexes
    stretches: int
    moments: Indexes
    whole: bool


def thinning(t_s: Floats, most: int = 1000) -> Thinning:
    """Stretches of equal time over a time axis that rises; no more than `most` of them.

    t_s   (n,) [s];  most  > 0. With no more than three samples per stretch the trace stays whole.

    >>> thinning(np.arange(10.0), 2).moments.tolist()
    [0, 5]
    """
    n = t_s.size
    if n <= 3 * most:
        every = np.arange(n, dtype=np.int64)
        return Thinning(every, n, every, True)
    span = float(t_s[-1] - t_s[0])
    stretch = np.minimum(((t_s - t_s[0]) * (most / span)).astype(np.int64), most - 1)
    moments = np.flatnonzero(np.diff(stretch, prepend=-1)).astype(np.int64)
    return Thinning(stretch, most, moments, False)


def kept(values: Floats, how: Thinning) -> Indexes:
    """Indexes, rising, of the samples of one channel that are drawn: the lowest and the highest valid one of each
    stretch, and the first and last valid one of all.

    values  (n,), NaN where there is none
    """
    valid = np.flatnonzero(np.isfinite(values))
    if how.whole or valid.size == 0:
        return valid.astype(np.int64)
    order = valid[np.lexsort((values[valid], how.stretch[valid]))]  # by stretch, then from cold to hot
    stretch = how.stretch[order]
    first = np.flatnonzero(np.diff(stretch, prepend=-1))
    last = np.append(first[1:] - 1, order.size - 1)
    return np.unique(np.concatenate((order[first], order[last], valid[[0, -1]]))).astype(np.int64)


def strokes(t_s: Floats, values: Floats, chosen: Indexes, gap_s: float) -> list[Indexes]:
    """The chosen samples as unbroken strokes: a line never crosses a sample without a value, nor a longer gap.

    gap_s  the longest time between two neighbouring samples that a line may cross [s]
    """
    if chosen.size == 0:
        return []
    blank = np.cumsum(~np.isfinite(values))
    jump = np.concatenate(([0], np.cumsum(np.diff(t_s) > gap_s)))
    broken = (np.diff(blank[chosen]) > 0) | (np.diff(jump[chosen]) > 0)
    return [np.asarray(part, dtype=np.int64) for part in np.split(chosen, np.flatnonzero(broken) + 1)]
