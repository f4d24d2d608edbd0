"""A table made to fit a terminal: nothing is cut and no word is broken.

In this order, until it fits: what is the same in every row is said once above it; long texts wrap inside their column,
or are told below it by the row's name; columns that are left over follow as a second table with the same first ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

GAP = 2  # blanks between two columns
LONG = 36  # characters from which a column is one of long texts
LINES = 6  # lines that a long text may take inside its column


@dataclass
class Fitted:
    """What of a table stands where.

    blocks  tables one under the other: (column, its width in characters) from left to right
    above   what is the same in every row;  below  long texts, each by its row's name
    """

    blocks: list[list[tuple[int, int]]]
    above: list[str] = field(default_factory=list)
    below: list[str] = field(default_factory=list)


class _Columns:
    """Widths of a table's columns: whole, and at least (the longest word)."""

    def __init__(self, columns: Sequence[str], text: Sequence[Sequence[str]], width: int) -> None:
        self.names, self.text, self.width = columns, text, width
        cells = [[name, *(row[i] for row in text)] for i, name in enumerate(columns)]
        self.whole = [max(map(len, column)) for column in cells]
        words = [max((len(w) for cell in column for w in cell.split(" ")), default=0) for column in cells]
        self.least = [min(w, max(width // 2, 1)) for w in words]
        self.long = [self.whole[i] > LONG for i in range(len(columns))]

    def fits(self, kept: Sequence[int], widths: Sequence[int]) -> bool:
        return sum(widths[i] for i in kept) + GAP * (len(kept) - 1) <= self.width

    def shared(self, kept: Sequence[int], floors: Sequence[int]) -> list[tuple[int, int]]:
        """Each column at least its floor, the rest of the width to the short ones first, then evenly to the long."""
        given = {i: floors[i] for i in kept}
        left = self.width - sum(given.values()) - GAP * (len(kept) - 1)
        order = sorted(kept, key=lambda i: (self.long[i], self.whole[i]))
        for number, i in enumerate(order):
            part = left // (len(order) - number) if self.long[i] else left
            more = min(self.whole[i] - given[i], max(part, 0))
            given[i] += more
            left -= more
        return [(i, given[i]) for i in kept]

    def lines(self, i: int, width: int) -> int:
        """Most lines that a cell of a column takes at a width, about."""
        return max((-(-len(row[i]) * 10 // (9 * max(width, 1))) for row in self.text), default=1)


def fitted(columns: Sequence[str], text: Sequence[Sequence[str]], width: int) -> Fitted:
    """Lay a table of texts out for a terminal `width` characters wide."""
    kept = list(range(len(columns)))
    of = _Columns(columns, text, width)
    if of.fits(kept, of.whole):
        return Fitted([[(i, of.whole[i]) for i in kept]])
    same = [i for i in kept if len(text) > 1 and len({row[i] for row in text}) == 1]
    above = [f"{columns[i]}: {text[0][i]}" for i in same if text[0][i]]
    kept = [i for i in kept if i not in same]
    name = [i for i in kept if not of.long[i]][:1]
    below: list[str] = []
    while kept and not of.fits(kept, of.whole):
        floors = [max(w, 24) if of.long[i] else w for i, w in enumerate(of.least)]
        long = [i for i in kept if of.long[i] and i not in name]
        if of.fits(kept, floors):
            widths = dict(of.shared(kept, floors))
            tall = [i for i in kept if of.lines(i, widths[i]) > (LINES if of.long[i] else 2)]
            if not tall:
                return Fitted([list(widths.items())], above, below)
            long = [i for i in long if i in tall] or long
        if not long:
            return Fitted(_split(of, kept), above, below)
        widest = max(long, key=lambda i: of.whole[i])
        kept.remove(widest)
        below += _told(of, widest, name)
    return Fitted([[(i, of.whole[i]) for i in kept]] if kept else [], above, below)


def _told(of: _Columns, i: int, name: Sequence[int]) -> list[str]:
    """The texts of one column, each with the rows it is for: by the first column, where that names them apart."""
    names = [row[name[0]] for row in of.text] if name else []
    apart = bool(names) and all(names) and len(set(names)) == len(names)
    told: dict[str, list[str]] = {}
    for number, row in enumerate(of.text, start=1):
        told.setdefault(row[i], []).append(names[number - 1] if apart else str(number))
    first = "" if apart else "row "
    return [f"{of.names[i]}, {first}{', '.join(rows)}: {words}" for words, rows in told.items() if words]


def _split(of: _Columns, kept: Sequence[int]) -> list[list[tuple[int, int]]]:
    """Tables one under the other, each with the columns first that name the rows."""
    floors = [of.whole[i] if of.whole[i] <= 20 else max(of.least[i], 20) for i in range(len(of.names))]
    lead: list[int] = []
    for i in kept:
        used = sum(floors[k] + GAP for k in lead)
        apart = bool(lead) and len({tuple(r[k] for k in lead) for r in of.text}) == len(of.text)
        if apart or used + floors[i] > of.width // 2:
            break
        lead.append(i)
    blocks: list[list[int]] = [list(lead)]
    for i in kept:
        if i in lead:
            continue
        floors[i] = min(floors[i], max(of.width - sum(floors[k] + GAP for k in lead), 1))
        if not of.fits([*blocks[-1], i], floors) and len(blocks[-1]) > len(lead):
            blocks.append(list(lead))
        blocks[-1].append(i)
    return [of.shared(block, floors) for block in blocks]
