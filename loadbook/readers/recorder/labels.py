"""Lines that carry their own names: `T1=23.5 T2=24.1`, JSON objects, `TC 1,23.5,C,TC 2,24.1,C`, `10:15:03 Temp: 23 C`.

They are put as an ordinary table, a heading and cells, so that all that follows need not know of them.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence

from loadbook.core.outside import within_limits
from loadbook.core.phrases import many

from .document import Fields, flat, parsed, read_document
from .log_lines import read_log
from .names import unit_of
from .numbers import looks_number
from .times import kind_of

SAMPLE = 200
LONGEST_LINE = 20_000
_LEAD = re.compile(
    r"^[\[(]?((?:[A-Za-z]{3,9}\.?,? +)?[\dA-Za-z./-]*[ T_,]{0,2}\d{1,2}:\d{1,2}(?::\d{1,2}(?:[.,]\d+)?)?"
    r"(?: ?[AaPp][Mm])?(?:Z|[+-]\d\d:\d\d)?(?: \d{4})?)[\])]?(?=[^\w:.]|$)"
)
_EPOCH_LEAD = re.compile(r"^[\[(]?(1\d{9}(?:\d{3})?(?:\.\d+)?)[\])]?[\s,;|:-]+(?=[^\W\d_][\w .]*[=:])")
_PAIR = re.compile(
    r"""[\s,;|>*-]*
    (?P<name>[^\W\d_][\w .#/°%()\[\]-]*?|[\w.#]+)\s*[=:]\s*
    (?:"(?P<quoted>[^"]*)"|(?P<value>
      \d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}[T ]\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:[ ]?[AP]M)?(?=[\s,;|]|$)
      |[-+]?[\d.,]*\d(?:[eE][-+]?\d+)?(?![\w:/-]*[:/])|[^\s,;|=]*(?![^\s,;|]*=)))
    (?:[ ]?(?P<unit>[°%µ]?[A-Za-z°%µ/]{1,12})(?=[\s,;|]|$)(?!\s*[=:]))?""",
    re.VERBOSE,
)


def labelled(lines: list[str]) -> Callable[[str], Fields | None] | None:
    """How to take the lines of a text apart, None where they do not carry their own names."""
    filled = [ln for ln in lines if ln.strip()]
    some = filled[:: max(1, len(filled) // SAMPLE)]
    if len(some) < 3:
        return None
    for take_apart in (_json, _pairs, _triples(some)):
        if take_apart is None:
            continue
        found = [f for ln in some if (f := take_apart(ln)) is not None and len({n for n, _, _ in f}) == len(f)]
        known = Counter(name for fields in found for name, _, _ in fields)
        numbers = {name for fields in found for name, value, _ in fields if looks_number(value)}
        steady = [n for n in numbers if known[n] >= 0.5 * len(some)]
        if len(found) >= 0.8 * len(some) and steady and len(known) <= 4 + 2 * len(steady):
            return take_apart
    return None


def carries_names(text: str, name: str = "") -> bool:
    """Does a text carry the names of its values with them, by line or as a whole."""
    lines = text.split("\n")
    return labelled(lines) is not None or read_document(text, name) is not None or read_log(lines) is not None


def as_table(text: str, name: str = "") -> tuple[list[list[str]], list[int], list[str]]:
    """Rows (the heading first), their physical lines, and notes. A line that cannot be taken apart is a row of one
    cell."""
    lines = text.split("\n")
    take_apart = labelled(lines)
    document = None if take_apart else read_document(text, name)
    if document is not None:
        notes = [f"{', '.join(map(repr, document.beside))} left out: records of their own"] if document.beside else []
        rows, at = document.rows, document.lines
        if not rows:
            rows, at = _tabulate([(n, "", fields) for n, fields in zip(at, document.records, strict=True)], name)
        return [*([a] for a in document.above), *rows], [*(at[0] for _ in document.above), *at], notes
    if take_apart is None and (log := read_log(lines)) is not None:
        return *_tabulate(log[0], name), log[1]
    apart: list[tuple[int, str, Fields | None]] = []
    for number, line in enumerate(lines, start=1):
        if line.strip():
            fields = take_apart(line) if take_apart and len(line) <= LONGEST_LINE else None
            apart.append((number, line.strip(), fields))
    seen = Counter(name for _, _, fields in apart for name, _, _ in fields or ())
    rare = {n for n, count in seen.items() if count < max(2, 0.01 * len(apart))}  # a name that was damaged
    kept = [(n, ln, None if rare & {f[0] for f in fields or ()} else fields) for n, ln, fields in apart]
    above = kept[: _first_of(kept)]
    notes = [f"{many(len(above), 'line')} above the first readings left out ({above[0][1][:60]!r})"] if above else []
    return *_tabulate(kept, name), notes


def _first_of(taken: Sequence[tuple[int, str, Fields | None]]) -> int:
    """Where the readings begin: the first line that could be taken apart, or that begins with a time."""
    return next((i for i, (_, line, fields) in enumerate(taken) if fields is not None or _LEAD.match(line)), 0)


def _tabulate(taken: Sequence[tuple[int, str, Fields | None]], where: str) -> tuple[list[list[str]], list[int]]:
    units: dict[str, set[str]] = {}
    for _, _, fields in taken:
        for name, _, unit in fields or ():
            units.setdefault(name, set()).add(unit)
    within_limits(len(taken), len(units), where)
    places = {name: i for i, name in enumerate(units)}
    heading = [f"{n} ({next(iter(u))})" if len(u) == 1 and "" not in u else n for n, u in units.items()]
    rows: list[list[str]] = []
    at: list[int] = []
    first = _first_of(taken)
    for i, (number, line, fields) in enumerate(taken):
        if i == first and heading:
            rows.append(heading)
            at.append(number)
        if fields is None or len({n for n, _, _ in fields}) < len(fields):
            rows.append([line])
        else:
            row = [""] * len(heading)
            for name, value, unit in fields:
                lone = len(units[name]) == 1
                row[places[name]] = value if lone or not unit else f"{value} {unit}"
            rows.append(row)
        at.append(number)
    return rows, at


def _json(line: str) -> Fields | None:
    line = re.sub(r"^\s*\[?\s*(?=\{)|(?<=\})\s*,?\s*\]?\s*$", "", line)  # one of an array's, a line each
    if not line.startswith("{"):
        return None
    try:
        data = parsed(line)
        return flat(data, "") if isinstance(data, dict) else None
    except (ValueError, RecursionError):
        return None


def _pairs(line: str) -> Fields | None:
    """'time  name=value unit, name: value', whole; None where anything is left over."""
    text = line.strip()
    fields: Fields = []
    lead = _LEAD.match(text)
    if lead and kind_of(lead[1].strip()) in ("moment", "clock"):
        fields.append(("time", lead[1].strip(), ""))
        text = text[lead.end() :]
    elif count_from_1970 := _EPOCH_LEAD.match(text):
        fields.append(("time", count_from_1970[1], ""))
        text = text[count_from_1970.end() :]
    count = len(fields)
    while text.strip(" \t,;|>*-"):
        match = _PAIR.match(text)
        if match is None or match.end() == 0:
            return None
        unit = match["unit"] or ""
        value = match["quoted"] if match["quoted"] is not None else match["value"]
        if unit and not unit_of(unit):
            return None
        fields.append((match["name"].strip(), value.strip(), unit))
        text = text[match.end() :]
    return fields if len(fields) > count else None


def _triples(lines: list[str]) -> Callable[[str], Fields | None] | None:
    """A function for lines of name, value(, unit) again and again, whose names are the same in every line."""
    for delimiter in (",", ";", "\t", "|"):
        rows = [[c.strip() for c in ln.split(delimiter)] for ln in lines]
        width = Counter(map(len, rows)).most_common(1)[0][0]
        if width < 4:
            continue
        kept = [r for r in rows if len(r) == width]
        same = [len({r[i] for r in kept}) == 1 and not looks_number(kept[0][i]) for i in range(width)]
        groups = _groups(same, kept[0])
        if groups and len(kept) >= 0.8 * len(rows) and len({kept[0][n] for n, _, _ in groups if n >= 0}) >= 2:
            return _by_groups(delimiter, groups, width, kept[0])
    return None


def _groups(same: list[bool], row: list[str]) -> list[tuple[int, int, int]]:
    """(place of the name or -1, of the value, of the unit or -1) of each group, [] where the row is of no such form."""
    groups: list[tuple[int, int, int]] = []
    i, width = 0, len(same)
    while i < width and not same[i] and i < 2:
        groups.append((-1, i, -1))  # a time that stands first, without a name
        i += 1
    while i < width:
        if not same[i] or not row[i] or i + 1 >= width or same[i + 1]:
            return [] if row[i] else groups
        unit = -1
        if i + 2 < width and same[i + 2] and (unit_of(row[i + 2]) or i + 3 == width or same[i + 3]):
            unit = i + 2
        groups.append((i, i + 1, unit))
        i += 2 if unit < 0 else 3
    return groups


def _by_groups(
    delimiter: str, groups: list[tuple[int, int, int]], width: int, first: list[str]
) -> Callable[[str], Fields | None]:
    fixed = [i for group in groups for i in (group[0], group[2]) if i >= 0]

    def take_apart(line: str) -> Fields | None:
        cells = [c.strip() for c in line.split(delimiter)]
        if len(cells) != width or any(cells[i] != first[i] for i in fixed):
            return None
        return [
            (cells[n] if n >= 0 else "time" if v == 0 else f"time {v + 1}", cells[v], cells[u] if u >= 0 else "")
            for n, v, u in groups
        ]

    return take_apart
