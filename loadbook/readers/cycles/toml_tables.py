"""A TOML text read table by table: values with units, unknown keys with the nearest known one, lines of all faults."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from loadbook.core import units
from loadbook.core.errors import IntakeError, Problem, UsageError
from loadbook.core.outside import NoToml, toml_of
from loadbook.core.phrases import did_you_mean

from .keys import Key

HOTTEST_C = 3300.0  # of any furnace
_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_-]+)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*\"?([A-Za-z0-9_-]+)\"?\s*=")


def line_numbers(text: str) -> dict[tuple[str, int, str | None], int]:
    """Physical line of every table header (key None) and key, by (table, which of them, key)."""
    found: dict[tuple[str, int, str | None], int] = {}
    counts: dict[str, int] = {}
    table, which = "", 0
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        if header:
            table = header.group(2)
            which = counts.get(table, 0)
            counts[table] = which + 1
            found[(table, which, None)] = number
        elif key := _KEY.match(line):
            found.setdefault((table, which, key.group(1)), number)
    return found


class TomlTables:
    """One TOML text; problems are gathered instead of stopping at the first.

    tables   name -> how the table is written in the file, for messages
    """

    def __init__(self, text: str, file: str, tables: Mapping[str, str]) -> None:
        self.file = file
        self.tables = tables
        self.problems: list[Problem] = []
        self.lines = line_numbers(text)
        try:
            self.data: dict[str, Any] = toml_of(text)
        except NoToml as exc:
            remedy = 'TOML keys look like: target = "620 C"'
            raise IntakeError(
                f"{file} is not TOML", [Problem(str(exc), file=file, line=exc.line, remedy=remedy)]
            ) from exc

    def problem(
        self, what: str, table: str, which: int, key: str | None, value: object = None, remedy: str = ""
    ) -> None:
        line = self.lines.get((table, which, key)) or self.lines.get((table, which, None))
        shown = None if value is None else str(value)
        self.problems.append(Problem(what, file=self.file, line=line, column=key, value=shown, remedy=remedy or None))

    def value(self, raw: object, holds: str, table: str, which: int, key: Key | None, name: str) -> Any:
        """A key's value in the unit kept inside; a problem and None where it cannot be one."""
        if isinstance(raw, bool):
            self.problem(f"{name} cannot be yes or no", table, which, name, raw)
            return None
        if holds == "text":
            if isinstance(raw, (str, int)) and str(raw).strip():
                return str(raw).strip()
            self.problem(f"{name} must be a text", table, which, name, raw)
            return None
        if holds == "choice":
            choices = key.choices if key else ()
            if isinstance(raw, str) and raw in choices:
                return raw
            remedy = did_you_mean(str(raw), choices).strip() or f"Write one of: {', '.join(choices)}"
            self.problem(f"{name} is not one of the words it may be", table, which, name, raw, remedy)
            return None
        if isinstance(raw, (int, float)) and not abs(raw) <= 2**53:  # nan is no smaller either
            self.problem(f"{name} is too large, or no number", table, which, name, raw)
            return None
        if holds in ("integer", "number"):
            if isinstance(raw, int) or (holds == "number" and isinstance(raw, float)):
                return raw
            self.problem(f"{name} must be a number without a unit", table, which, name, raw)
            return None
        dimension = "duration" if holds == "seconds" else holds
        if isinstance(raw, (int, float)) and dimension == "duration" and name in ("minutes", "minutes_max"):
            if raw < 0:
                self.problem(f"{name} is below zero", table, which, name, raw)
                return None
            return float(raw)
        if not isinstance(raw, str):
            self.problem(f"{name} has no unit", table, which, name, raw, _unit_remedy(raw, dimension))
            return None
        try:
            value = units.parse_quantity(raw, dimension).value
        except UsageError as exc:
            self.problem(exc.what, table, which, name, raw, exc.remedy or "")
            return None
        if value < 0 and dimension not in ("temperature", "difference"):
            self.problem(f"{name} is below zero", table, which, name, raw)
            return None
        if dimension == "temperature" and value > HOTTEST_C:
            self.problem(f"{name} is hotter than any furnace", table, which, name, raw, "Check its digits and its unit")
            return None
        return value * 60.0 if holds == "seconds" else value

    def table(self, name: str, which: int, raw: object, keys: Mapping[str, Key]) -> dict[str, Any]:
        """A table's values by field name; unknown keys are problems with the nearest known key."""
        if not isinstance(raw, dict):
            self.problem(f"{self.tables[name]} must be a table", name, which, None)
            return {}
        out: dict[str, Any] = {}
        for key, value in raw.items():
            known = keys.get(key)
            if known is None:
                self.unknown(key, name, which, keys)
            elif known.holds == "value":
                out[key] = value
            else:
                out[known.field or key] = self.value(value, known.holds, name, which, known, key)
        for key, known in keys.items():
            if known.required and key not in raw:
                self.problem(
                    f"{self.tables[name]} has no {key}", name, which, None, remedy=f"Add {key}: {known.meaning}"
                )
        return out

    def unknown(self, key: str, table: str, which: int, known: Mapping[str, object]) -> None:
        remedy = did_you_mean(key, known).strip() or f"{self.tables[table]} may hold: {', '.join(known)}"
        self.problem(f"{key!r} is not a key of {self.tables[table]}", table, which, key, remedy=remedy)


def _unit_remedy(raw: object, dimension: str) -> str:
    examples = {"temperature": f'"{raw} C" or "{raw} F"', "difference": f'"{raw} C diff" or "{raw} F diff"',
                "rate": f'"{raw} C/h" or "{raw} F/h"', "length": f'"{raw} mm" or "{raw} in"',
                "pressure": f'"{raw} mbar"', "leak": f'"{raw} mbar/h"',
                "duration": f'"{raw} min" or "{raw} h"'}  # fmt: skip
    return f"Write {examples.get(dimension, repr(raw))}"
