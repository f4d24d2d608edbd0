"""A program's log: a time, words, and readings by name among them (`09:58:00 [INFO] oven: temp=612.4, target=620`).

Lines without readings stand between the others and are left out. It is taken for one only where all that changes from
line to line is a time or a reading by name: nothing else is passed over.
"""

from __future__ import annotations

import re
from collections import Counter

from loadbook.core.phrases import many

from .document import Fields
from .names import unit_of

_FEWEST = 3
_SAMPLE = 200
_CLOCK = r"\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?(?: ?[AaPp][Mm]\b)?"
_MOMENTS = (
    re.compile(rf"\d{{4}}[-/.]\d\d?[-/.]\d\d?[T ,_]+{_CLOCK}(?:Z|[+-]\d\d:?\d\d)?"),
    re.compile(rf"\d\d?[-/.]\d\d?[-/.]\d{{2,4}}[T ,_]+{_CLOCK}"),
    re.compile(rf"(?:[A-Za-z]{{3}},? +)?[A-Za-z]{{3,9}}\.? +\d\d?,? +(?:\d{{4}},? +)?{_CLOCK}(?: +\d{{4}}\b)?"),
    re.compile(rf"\d\d?[-/. ][A-Za-z]{{3}}[-/. ]\d{{2,4}}[ T,:]+{_CLOCK}"),
    re.compile(rf"(?<![\d:.]){_CLOCK}"),
)
_OTHER_TIMES = re.compile(rf"(?:[A-Za-z]{{3}},? +)?(?:[A-Za-z]{{3}} +\d{{1,2}},? +(?:\d{{4}} +)?)?{_CLOCK}")
_READING = re.compile(
    r"""(?<![\w.])(?P<name>[A-Za-z_][\w.\#@]*(?:[ ]\d{1,2})?|@)\s?[=:]\s*
    (?P<value>[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?|nan|inf|none|null|n/a|open|err(?:or)?|-{2,})
    (?![\d:])(?:\s?(?P<unit>°\s?[CFK]|[A-Za-z%]{1,5})(?![\w=:@]))?(?=[\s,;|/)\]}!]|\.(?:\s|$)|$)
    (?:\s*/\s*(?P<beside>[-+]?\d+(?:[.,]\d+)?))?""",
    re.VERBOSE | re.IGNORECASE,
)
Taken = list[tuple[int, str, Fields | None]]  # line number, line, what it says


def read_log(lines: list[str]) -> tuple[Taken, list[str]] | None:
    """The lines with readings, taken apart, and notes on the others; None where the text is no such log."""
    filled = [(number, line.strip()) for number, line in enumerate(lines, start=1) if line.strip()]
    sample = filled[:: max(1, len(filled) // _SAMPLE)]
    known = _known([fields for _, line in sample if (fields := _take_apart(line))], len(sample))
    if not known or _more_changes([line for _, line in sample], known):
        return None
    apart = [(number, line, _take_apart(line) or []) for number, line in filled]
    count = Counter(name for _, _, fields in apart for name, _, _ in fields)
    named = {n for n, c in count.items() if n in known or c >= _FEWEST}
    taken: Taken = []
    between: list[tuple[int, str]] = []
    for number, line, found in apart:
        fields = [f for f in found if f[0] in named]
        lost = known - {f[0] for f in fields} - {"time"}
        if any(re.search(rf"(?<!\w){re.escape(n)}\s?[=:]", line) for n in lost) or len({f[0] for f in fields}) < len(
            fields
        ):
            taken.append((number, line, None))  # a reading that is damaged, or comes twice
        elif len(fields) > 1:
            taken.append((number, line, fields))
        else:
            between.append((number, line))
    if sum(fields is not None for _, _, fields in taken) < 0.5 * len(taken):
        return None  # names that come twice in a line
    notes = ["a log: readings are taken by their names, the words among them left out"]
    if between:
        notes.append(
            f"{many(len(between), 'line')} without readings left out (line {between[0][0]}: {between[0][1][:60]!r})"
        )
    return taken, notes


def _known(found: list[Fields], lines: int) -> set[str]:
    """The names that most lines with readings have, with one at least that changes; empty where too few lines do."""
    if len(found) < max(_FEWEST, 0.5 * lines):
        return set()
    values: dict[str, set[str]] = {}
    count = Counter(name for fields in found for name, _, _ in fields)
    for fields in found:
        for name, value, _ in fields:
            values.setdefault(name, set()).add(value)
    steady = {n for n, c in count.items() if c >= 0.8 * len(found)}
    return steady if "time" in steady and any(len(values[n]) > 2 for n in steady - {"time"}) else set()


def _more_changes(sample: list[str], known: set[str]) -> bool:
    """Do numbers change from line to line that are neither times nor readings by name."""
    rest = set()
    for line in sample:
        if {f[0] for f in _take_apart(line) or []} >= known:
            left = _READING.sub(" ", _OTHER_TIMES.sub(" ", _without(line)))
            rest.add(tuple(re.findall(r"\d+(?:[.,]\d+)?", left)))
    return len(rest) > 1


def _moment(line: str) -> re.Match[str] | None:
    return next((m for p in _MOMENTS if (m := p.search(line[:120]))), None)


def _without(line: str) -> str:
    match = _moment(line)
    return line if match is None else line[: match.start()] + " " + line[match.end() :]


def _take_apart(line: str) -> Fields | None:
    moment = _moment(line)
    if moment is None or len(line) > 2_000:
        return None
    fields: Fields = [("time", moment.group(), "")]
    for match in _READING.finditer(line[: moment.start()] + " " + line[moment.end() :]):
        unit = match["unit"] or ""
        fields.append((match["name"], match["value"], unit if unit_of(unit) else ""))
        if match["beside"]:
            fields.append((f"{match['name']} /", match["beside"], unit if unit_of(unit) else ""))
    return fields if len(fields) > 1 else None
