"""A file that is one JSON document: an array of records on one line, records over several lines, records under a key,
or a list of values per channel. They are put as rows of names and values, or of cells, as other files have them.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from loadbook.core.errors import IntakeError, LoadbookError, Problem
from loadbook.core.outside import MOST_CELLS

Fields = list[tuple[str, str, str]]  # name, value, unit
_DEEPEST = 4  # levels of keys that are followed down to the records, and inside of one
_FEWEST = 3


@dataclass
class Document:
    """above are single values beside the records, as 'key: value'; beside are the keys of what else holds records.

    records  objects; rows  lists of cells, where the records have no names (their heading first, where they have one)
    lines    the line in which each record begins, or its number where they share lines
    """

    records: list[Fields] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    above: list[str] = field(default_factory=list)
    beside: list[str] = field(default_factory=list)


class NamedTwice(ValueError):
    """An object of a JSON text gives two values to one name."""


def parsed(text: str) -> Any:
    """What a JSON text holds, numbers as they are written. Raises NamedTwice, ValueError, RecursionError."""
    return json.loads(text, parse_float=str, parse_int=str, parse_constant=str, object_pairs_hook=_named_once)


def _named_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        for name, value in pairs:
            if found[name] != value:
                raise NamedTwice(name)
    return found


def read_document(text: str, name: str = "") -> Document | None:
    """The records of a text that is one JSON document, None where it is none, or holds no records.

    Raises IntakeError where it begins as one and is damaged, or names a value twice; LoadbookError where it holds more
    values than are read (each takes many times its length in memory)
    """
    try:
        return _read_document(text, name)
    except RecursionError:
        return None


def _read_document(text: str, name: str) -> Document | None:
    start = text.lstrip()
    if start[:1] not in ("[", "{"):
        return None
    if sum(map(text.count, ",{[")) > MOST_CELLS:
        raise LoadbookError(
            f"the file has more than {MOST_CELLS:,} values", where=name, remedy="Split it into smaller ones"
        )
    try:
        data = parsed(text)
    except NamedTwice as exc:
        raise IntakeError(
            "a name stands twice in one record of the file, with different values",
            [Problem(f"{str(exc)!r} twice", name)],
            remedy="Export it again with a name of its own for each channel",
        ) from exc
    except ValueError as exc:
        if not isinstance(exc, json.JSONDecodeError) or start[1:].lstrip()[:1] not in ("{", '"', "["):
            return None
        if exc.msg == "Extra data":  # an object a line
            return None
        raise IntakeError(
            "the file begins as JSON and cannot be read to its end",
            [Problem(exc.msg, name, exc.lineno, str(exc.colno))],
            remedy="Is it cut off? Export it again",
        ) from exc
    out = Document()
    records = _descend(data, out, "", 0)
    if len(records) < _FEWEST:
        return None
    if all(isinstance(r, list) for r in records):
        out.rows = [[_text(v) for v in r] for r in records]
    else:
        out.records = [flat(r, "") if isinstance(r, dict) else [("value", _text(r), "")] for r in records]
    out.lines = _lines(text, len(records))
    for line, fields in zip(out.lines, out.records, strict=False):
        _names_differ(fields, name, line)
    return out


def _descend(data: Any, out: Document, path: str, depth: int) -> list[Any]:
    """The longest list of records in a document, with what stands beside it put into `out`."""
    if isinstance(data, list):
        return data if sum(isinstance(r, dict | list) for r in data) > 0.5 * len(data) else []
    if not isinstance(data, dict) or depth > _DEEPEST:
        return []
    lists = {k: v for k, v in data.items() if isinstance(v, list) and v and not isinstance(v[0], dict | list)}
    if len(lists) >= 2 and len({len(v) for v in lists.values()}) == 1:  # a list of values for each channel
        _aside(data, lists, out, path)
        return [dict(zip(lists, values, strict=True)) for values in zip(*lists.values(), strict=True)]
    if len(data) >= _FEWEST and all(isinstance(v, dict) for v in data.values()) and any(c.isdigit() for c in min(data)):
        return [{"time": key} | value for key, value in data.items()]  # a record under each time
    found = {}
    for key, value in data.items():
        inner = Document()
        records = _descend(value, inner, f"{path} {key}".strip(), depth + 1)
        if records:
            found[key] = (records, inner)
    if not found:
        return []
    best = max(found, key=lambda k: len(found[k][0]))
    _aside(data, {best: None}, out, path)
    out.beside += [f"{path} {k}".strip() for k in found if k != best and not isinstance(data[k], list)]
    out.beside += found[best][1].beside
    out.above += found[best][1].above
    return found[best][0]


def _aside(data: dict[str, Any], used: dict[str, Any], out: Document, path: str) -> None:
    for key, value in data.items():
        if key not in used and isinstance(value, list) and len(value) >= _FEWEST:
            out.beside.append(f"{path} {key}".strip())
        elif key not in used and not (isinstance(value, dict) and _descend(value, Document(), "", 1)):
            out.above += [f"{name}: {text}" for name, text, _ in flat({key: value}, path)]


def flat(data: dict[str, Any], above: str, depth: int = 0) -> Fields:
    """(name, value, '') of all that is in an object, what is inside of it under both names, or its name and number."""
    return [field for key, value in data.items() for field in _flat(f"{above} {key}".strip(), value, depth)]


def _flat(name: str, value: Any, depth: int) -> Fields:
    if isinstance(value, dict) and depth <= _DEEPEST:
        return flat(value, name, depth + 1)
    if isinstance(value, list) and depth <= _DEEPEST:
        return flat({str(i): item for i, item in enumerate(value, start=1)}, name, depth + 1)
    return [(name, _text(value), "")]


def _names_differ(fields: Fields, name: str, line: int) -> None:
    """Raises IntakeError where what is inside of a record has the name of something beside it."""
    twice = [n for n, count in Counter(n for n, _, _ in fields).items() if count > 1]
    if twice:
        raise IntakeError(
            "a name stands twice in one record of the file",
            [Problem(f"{twice[0]!r} twice", name, line)],
            remedy="Export it again with a name of its own for each channel",
        )


def _text(value: object) -> str:
    return "" if value is None else str(value).strip() if not isinstance(value, dict | list) else json.dumps(value)


def _lines(text: str, count: int) -> list[int]:
    """The lines in which records begin, where each has a line of its own; else their numbers."""
    begin = [i for i, line in enumerate(text.split("\n"), start=1) if line.lstrip()[:1] in ("{", "[")]
    begin = begin[len(begin) - count :] if 0 <= len(begin) - count <= 2 else []
    return begin or list(range(1, count + 1))
