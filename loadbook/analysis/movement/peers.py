"""What stands beside each of many readings: the values of other pieces, with their middle and their robust spread.

All readings of a file are asked at once, so everything here is arrays, and NaN is a value that is not there.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np

from loadbook.analysis.quantiles import MAD_TO_SD, median_of

Array = np.ndarray[Any, Any]

MOST = 40  # values of a group that a reading is held against
FEW = 12  # up to so many in a group, a piece is never among those that it is held against


class Groups:
    """Values by group, each of somebody: a row of `values` a group, at most MOST of it, NaN where it has fewer."""

    def __init__(self, group: Array, who: Array, value: Array, few: float = FEW) -> None:
        """few  up to so many in a group, nobody stands beside himself"""
        codes, row, count = np.unique(group, return_inverse=True, return_counts=True)
        self.codes = np.append(codes, np.iinfo(np.int64).max)  # the last row is nobody's
        order = np.argsort(row, kind="stable")
        row, step = row[order], -(-count // MOST)
        place = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
        some = place % step[row] == 0
        row, column, chosen = row[some], (place // step[row])[some], order[some]
        shape = len(count) + 1, min(MOST, int(count.max(initial=1)))
        self.values, self.who = np.full(shape, np.nan), np.full(shape, -2)
        self.values[row, column] = value[chosen]
        self.who[row, column] = who[chosen]
        self.size = np.append(count, 0)
        self.few = few

    def beside(self, group: Array, who: Array) -> tuple[list[Array], Array]:
        """Lists of a group's values without somebody's own, and which of them is each one's.

        Large groups, of which many readings have the same list, are listed once.
        """
        row = np.searchsorted(self.codes, group)
        row[self.codes[row] != group] = len(self.codes) - 1
        narrow = self.size[row] <= FEW
        wide_row, wide_who = row[~narrow], np.where(self.size[row] <= self.few, who, -1)[~narrow]
        key = wide_row * (wide_who.max(initial=0) + 2) + wide_who + 1
        _, first, same = np.unique(key, return_index=True, return_inverse=True)
        of = np.empty(len(row), np.int64)
        of[narrow], of[~narrow] = np.arange(len(row) - len(key)), len(row) - len(key) + same
        return [
            np.where(self.who[r, :width] == w[:, None], np.nan, self.values[r, :width])
            for r, w, width in ((row[narrow], who[narrow], FEW), (wide_row[first], wide_who[first], MOST))
        ], of


class Lists:
    """Lists of values, the same of many readings once, in matrices of several widths."""

    def __init__(self, parts: list[Array]) -> None:
        self.parts = parts

    @cached_property
    def told(self) -> tuple[Array, ...]:
        """Of each list how many values it has, their median, and their robust spread (widened for few)."""
        told = []
        for values in self.parts:
            count = _count(values)
            about = median_of(values.T)
            away = median_of(abs(values - about[:, None]).T)
            told.append((count, about, MAD_TO_SD * away * (1.0 + 2.0 / np.sqrt(np.maximum(count, 1)))))
        return tuple(map(np.concatenate, zip(*told, strict=True)))

    @cached_property
    def logs(self) -> Lists:
        """The logarithms of those above zero."""
        return Lists([np.log(np.where(values > 0, values, np.nan)) for values in self.parts])


class Peers:
    """The list of values that stands beside each reading."""

    def __init__(self, lists: Lists, of: Array) -> None:
        """of  which of the lists, counted over all parts"""
        self.lists, self.of = lists, of

    @classmethod
    def none(cls, count: int) -> Peers:
        """Nothing beside any of so many readings."""
        return cls(Lists([np.full((1, 1), np.nan)]), np.zeros(count, np.int64))

    @classmethod
    def first(cls, who: Array, *sources: tuple[Groups, Array, int]) -> tuple[Peers, Array]:
        """The others of each reading's group in the first source that has enough of them, and which source that was.

        sources  (values by group, the group of each reading, how many others are enough)
        """
        parts, of, place = [np.full((1, 1), np.nan)], np.zeros(len(who), np.int64), np.full(len(who), -1)
        for number, (groups, group, enough) in enumerate(sources):
            at = np.flatnonzero(place < 0)
            found, mine = groups.beside(group[at], who[at])
            has = np.concatenate([_count(x) for x in found])[mine] >= enough
            of[at[has]], place[at[has]] = sum(map(len, parts)) + mine[has], number
            parts += found
        return cls(Lists(parts), of), place

    def __getitem__(self, at: Array | list[int]) -> Peers:
        return Peers(self.lists, self.of[at])

    @property
    def count(self) -> Array:
        return self.lists.told[0][self.of]

    @property
    def about(self) -> Array:
        return self.lists.told[1][self.of]

    @property
    def sd(self) -> Array:
        return self.lists.told[2][self.of]

    @property
    def logs(self) -> Peers:
        return Peers(self.lists.logs, self.of)

    def values(self, at: Array) -> Array:
        """The lists beside some of the readings, as rows."""
        of, start = self.of[at], 0
        found = np.full((len(of), MOST), np.nan)
        for values in self.lists.parts:
            mine = (of >= start) & (of < start + len(values))
            found[mine, : values.shape[1]] = values[of[mine] - start]
            start += len(values)
        return found


def _count(values: Array) -> Array:
    return np.asarray((~np.isnan(values)).sum(axis=1))
