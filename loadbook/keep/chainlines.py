"""Rows as the digest chain reads them: a JSON line each, made column by column.

The text is byte for byte what `json.dumps(row, ensure_ascii=True, separators=(",", ":"), sort_keys=True)` writes of
`[key, {column: value, ...}]`, empty columns left out; a test holds the two together. Made a column at a time it takes
a third of the encoder's time, and every book's chain rests on these bytes: they never change.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from itertools import repeat
from json.encoder import encode_basestring_ascii as quoted
from math import isfinite
from typing import Any

encode = json.JSONEncoder(ensure_ascii=True, separators=(",", ":"), sort_keys=True).encode
_EMPTY = type(None)


def lines(keys: Iterable[int], columns: Mapping[str, Sequence[Any]]) -> str:
    """The lines of some rows, each with its line feed.

    keys  integer key of each row; columns  name -> value of each row, None where it is empty

    >>> lines([7, 8], {"value": [0.5, None], "part": ["A", "B"]})
    '[7,{"part":"A","value":0.5}]\\n[8,{"part":"B"}]\\n'
    """
    kinds = {name: set(map(type, columns[name])) for name in sorted(columns)}
    filled = [name for name, found in kinds.items() if found != {_EMPTY}]
    cells: list[Iterable[str]] = [[f"[{key},{{" for key in keys]]
    for name in filled:
        end = "}]\n" if name == filled[-1] and _EMPTY not in kinds[name] else ","
        cells.append(_cells(quoted(name) + ":", columns[name], kinds[name], end))
    if filled and _EMPTY not in kinds[filled[-1]]:
        return "".join(map("".join, zip(*cells, strict=True)))
    # inside a text a line feed is written \\n, so this is the end of a row and nothing else
    return "".join(map("".join, zip(*cells, repeat("}]\n"), strict=False))).replace(",}]\n", "}]\n")


def _cells(name: str, values: Sequence[Any], kinds: set[type], end: str) -> Iterable[str]:
    """`"name":value` and an end of each row, nothing where it is empty."""
    given = kinds - {_EMPTY}
    if given == {str}:
        texts = {v: f"{name}{quoted(v)}{end}" for v in set(values) if v is not None}
        return map(texts.get, values, repeat("")) if _EMPTY in kinds else map(texts.__getitem__, values)
    if given == {int}:
        return [f"{name}{v}{end}" if v is not None else "" for v in values]
    if given == {float} and all(map(isfinite, filter(None, values))):
        return [f"{name}{v!r}{end}" if v is not None else "" for v in values]
    return [f"{name}{encode(v)}{end}" if v is not None else "" for v in values]
