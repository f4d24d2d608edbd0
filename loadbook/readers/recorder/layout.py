"""A layout: how one recorder writes its files, as a record that reads and writes as TOML.

Nothing here looks at a file; `recorderpropose` fills a layout from one, `recorderread` reads one by it.
"""

from __future__ import annotations

import fnmatch
import json
import re
from dataclasses import dataclass, field, fields, replace
from typing import Any

from loadbook.core.errors import UsageError
from loadbook.core.outside import NoToml, checked_encoding, toml_of
from loadbook.core.times import zone_of
from loadbook.core.vocabulary.intake_kinds import ROLES

DELIMITERS = (",", ";", "\t", "|", "spaces", "wide spaces")
TIME_KINDS = ("clock", "time of day", "elapsed", "serial")
ELAPSED_FORMATS = ("s", "min", "h", "ms", "h:m:s", "h:m", "m:s")
EPOCHS = ("1900", "1904", "1970")
LAYOUT_ROLES = (*ROLES, "ignore")


@dataclass(frozen=True)
class ChannelRule:
    """What the columns are whose name fits `name` (a name, or a pattern with * and ?).

    role      a role of the vocabulary, 'ignore' to leave the column out, '' where the run's own channels say it
    unit      unit as written in the file (c, f, k, mbar, torr, ...); '' where each file says it
    quantity  temperature, pressure, dew point, oxygen or other; '' follows from the role
    """

    name: str
    role: str = ""
    unit: str = ""
    quantity: str = ""

    def fits(self, name: str) -> bool:
        """Is this rule about a column of that name (letter case does not count)."""
        low = name.casefold()
        return low == self.name.casefold() or fnmatch.fnmatchcase(low, self.name.casefold().replace("[", "[[]"))


@dataclass(frozen=True)
class Layout:
    """How one recorder writes.

    encoding        utf-8, utf-8-sig, utf-16, latin-1, or 'workbook'
    delimiter       one of DELIMITERS; 'spaces' is any run of blanks, 'wide spaces' runs of two or more
    decimal         '.' or ','; thousands: '' (none), '.', ',', "'" or ' '
    time_columns    names of the columns that together give the time; '#1' is the first column
    time_kind       clock (date and time), time of day (no date), elapsed, serial (day count of a spreadsheet)
    time_format     strptime format of the columns joined by a blank; for elapsed one of ELAPSED_FORMATS;
                    for serial the epoch: 1900, 1904 (days), 1970 (seconds, UTC)
    zone            AREA/CITY of the recorder's clock; '' is the book's
    shape           wide (a column per channel) or long (a row per channel and time)
    unit            unit of temperature columns that carry none: c, f or k
    open_values     texts or numbers that the recorder writes for an open circuit
    missing_values  texts that stand for no value
    readings        numbers that look like a sentinel and are readings
    blank_times     rows without a time: 'spread' evenly between the written ones, or 'skip'
    repeated_times  rows with the same time and other values: 'spread' (rounded times), or 'first' (duplicates)
    short_rows      rows with fewer cells than the heading: 'blank' (the last cells are blank) or 'skip' (left out)
    skip            rows beginning with one of these texts are left out
    """

    name: str = ""
    encoding: str = "utf-8"
    delimiter: str = ","
    decimal: str = "."
    thousands: str = ""
    sheet: str = ""
    shape: str = "wide"
    time_columns: tuple[str, ...] = ()
    time_kind: str = "clock"
    time_format: str = ""
    zone: str = ""
    channel_column: str = ""
    value_column: str = ""
    unit_column: str = ""
    unit: str = ""
    open_values: tuple[str, ...] = ()
    missing_values: tuple[str, ...] = ()
    readings: tuple[str, ...] = ()
    blank_times: str = ""
    repeated_times: str = ""
    short_rows: str = ""
    skip: tuple[str, ...] = ()
    channels: tuple[ChannelRule, ...] = field(default=())

    def rule(self, name: str) -> ChannelRule | None:
        """The first rule that fits a column's name; an exact name goes before a pattern."""
        exact = [r for r in self.channels if r.name.casefold() == name.casefold()]
        return next(iter(exact), None) or next((r for r in self.channels if r.fits(name)), None)

    def to_toml(self) -> str:
        """The layout as TOML, in the order of the fields; what is empty is left out."""
        lines = []
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name == "channels" or value in ("", ()):
                continue
            lines.append(f"{item.name} = {_toml(value)}")
        for rule in self.channels:
            lines.append("\n[[channel]]")
            lines += [f"{f.name} = {_toml(getattr(rule, f.name))}" for f in fields(rule) if getattr(rule, f.name)]
        return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False)  # a JSON string is a TOML basic string


_CHOICES: dict[str, tuple[str, ...]] = {
    "delimiter": DELIMITERS,
    "decimal": (".", ","),
    "thousands": ("", ".", ",", "'", " "),
    "shape": ("wide", "long"),
    "time_kind": TIME_KINDS,
    "unit": ("", "c", "f", "k"),
    "blank_times": ("", "spread", "skip"),
    "repeated_times": ("", "spread", "first"),
    "short_rows": ("", "blank", "skip"),
}


def from_toml(text: str, *, where: str = "layout") -> Layout:
    """The layout of a TOML text. Raises UsageError naming the key that is unknown or wrong.

    >>> from_toml('delimiter = ";"\\ndecimal = ","').delimiter
    ';'
    """
    try:
        data = toml_of(text)
    except NoToml as exc:
        raise UsageError(
            f"{where} is no TOML: {exc}", remedy="See `loadbook trace layout show` for an example"
        ) from exc
    known = {f.name for f in fields(Layout)} - {"channels"}
    channels = tuple(_rule(item, where) for item in data.pop("channel", []))
    given: dict[str, Any] = {}
    for key, value in data.items():
        if key not in known:
            raise UsageError(f"{where} has an unknown key {key!r}", remedy=f"Known are: {', '.join(sorted(known))}")
        given[key] = tuple(str(v) for v in value) if isinstance(value, list) else str(value)
        if isinstance(given[key], tuple) != isinstance(getattr(Layout(), key), tuple):
            raise UsageError(f"{where}: {key} must be {'a list' if isinstance(value, str) else 'one text'}")
    layout = Layout(**given, channels=channels)
    return checked(layout, where=where)


def checked(layout: Layout, *, where: str = "layout") -> Layout:
    """The layout itself. Raises UsageError where a field holds a word that it does not know."""
    for key, choices in _CHOICES.items():
        value = getattr(layout, key)
        if value not in choices:
            shown = ", ".join(repr(c) for c in choices)
            raise UsageError(f"{where}: {key} cannot be {value!r}", remedy=f"Write one of {shown}")
    _check_time(layout, where)
    if layout.encoding != "workbook":
        checked_encoding(layout.encoding)
    if layout.zone:
        zone_of(layout.zone)
    if layout.decimal == layout.thousands:
        raise UsageError(f"{where}: decimal and thousands mark are both {layout.decimal!r}")
    for rule in layout.channels:
        if rule.role and rule.role not in LAYOUT_ROLES:
            raise UsageError(f"{where}: {rule.role!r} is no role", remedy=f"Write one of: {', '.join(LAYOUT_ROLES)}")
    return layout


def _check_time(layout: Layout, where: str) -> None:
    fmt = layout.time_format
    if layout.time_kind == "elapsed" and fmt not in ELAPSED_FORMATS:
        raise UsageError(
            f"{where}: time_format of elapsed times cannot be {fmt!r}", remedy=f"One of: {ELAPSED_FORMATS}"
        )
    if layout.time_kind == "serial" and fmt not in EPOCHS:
        raise UsageError(f"{where}: time_format of serial times cannot be {fmt!r}", remedy=f"One of: {EPOCHS}")
    needed = {"clock": (r"%d", r"%[mb]", r"%[yY]", r"%[HI]", r"%M"), "time of day": (r"%[HI]", r"%M")}
    if fmt and any(not re.search(mark, fmt) for mark in needed.get(layout.time_kind, ())):
        raise UsageError(
            f"{where}: time_format {fmt!r} is no whole {layout.time_kind}", remedy="Such as %d/%m/%Y %H:%M:%S"
        )


def _rule(item: dict[str, Any], where: str) -> ChannelRule:
    known = {f.name for f in fields(ChannelRule)}
    unknown = sorted(set(item) - known)
    if unknown or "name" not in item:
        raise UsageError(
            f"{where}: a [[channel]] has {', '.join(unknown) or 'no name'}", remedy="Its keys: name, role, unit"
        )
    return ChannelRule(**{k: str(v) for k, v in item.items()})


def parse_channel_option(text: str) -> ChannelRule:
    """The rule of `--channel "NAME=role"` or `--channel "NAME=role,unit"`; NAME may hold * and ?.

    >>> parse_channel_option("TC *=work,f")
    ChannelRule(name='TC *', role='work', unit='f', quantity='')
    """
    name, equals, rest = text.rpartition("=")
    role, _, unit = rest.partition(",")
    role = role.strip().lower()
    if not equals or not name.strip() or role not in LAYOUT_ROLES:
        raise UsageError(
            f"--channel {text!r} does not say NAME=role",
            remedy=f"Roles: {', '.join(LAYOUT_ROLES)}; with a unit: NAME=role,f",
        )
    return ChannelRule(name.strip(), role, unit.strip())


def with_rules(layout: Layout, rules: tuple[ChannelRule, ...]) -> Layout:
    """The layout with these rules going before its own."""
    named = {r.name.casefold() for r in rules}
    return replace(layout, channels=(*rules, *(r for r in layout.channels if r.name.casefold() not in named)))
