"""A layout: how one recorder writes its files, as a record that reads and writes as TOML.

Nothing here looks at a file; `propose` fills a layout from one, `read` reads one by it.
"""

from __future__ import annotations

import fnmatch
import json
import math
import re
from dataclasses import dataclass, field, fields, replace
from typing import Any

from loadbook.core.errors import UsageError
from loadbook.core.outside import NoToml, checked_encoding, toml_of
from loadbook.core.times import zone_of
from loadbook.core.units import DIMENSIONS
from loadbook.core.vocabulary.intake_kinds import ROLES

from .names import unit_of

DELIMITERS = (",", ";", "\t", "|", "spaces", "wide spaces", "labels")
TIME_KINDS = ("clock", "time of day", "elapsed", "serial")
ELAPSED_FORMATS = ("s", "min", "h", "d", "ms", "h:m:s", "h:m", "m:s")
EPOCHS = ("1900", "1904", "1970", "1900 s", "1904 s")
LAYOUT_ROLES = (*ROLES, "ignore")


@dataclass(frozen=True)
class ChannelRule:
    """What the columns are whose name fits `name` (a name, or a pattern with * and ?).

    role      a role of the vocabulary, 'ignore' to leave the column out, '' where the run's own channels say it
    unit      unit as written in the file (c, f, k, mbar, torr, ...); '' where each file says it
    quantity  temperature, pressure, dew point, oxygen or other; '' follows from the role
    instead_of  the unit that the file's heading carries and `unit` overrules
    """

    name: str
    role: str = ""
    unit: str = ""
    quantity: str = ""

    instead_of: str = field(default="", repr=False)

    def fits(self, *names: str) -> bool:
        """Is this rule about a column of one of these names."""
        return fits(self.name, *names)


def fits(pattern: str, *names: str) -> bool:
    """Does a name, or a pattern with * and ?, fit one of a column's names (letter case does not count)."""
    low = pattern.casefold()
    return any(n.casefold() == low or fnmatch.fnmatchcase(n.casefold(), low.replace("[", "[[]")) for n in names)


def named_value(text: str) -> tuple[str, str]:
    """'NAME=VALUE' as (NAME, VALUE); a bare value is everybody's: ('', VALUE).

    >>> named_value("Zone 1=-1"), named_value("-1")
    (('Zone 1', '-1'), ('', '-1'))
    """
    name, equals, value = text.rpartition("=")
    return (name.strip(), value.strip()) if equals and name.strip() else ("", text.strip())


@dataclass(frozen=True)
class Settings:
    """What may be stated of a recorder's files, in a layout and on the command line alike; '' or empty says nothing.

    encoding        utf-8, utf-8-sig, utf-16, latin-1, or 'workbook'
    delimiter       one of DELIMITERS; 'spaces' is any run of blanks, 'wide spaces' runs of two or more;
                    'labels' are lines that carry their own names (T1=23.5, JSON objects, name/value/unit)
    decimal         '.' or ','; thousands: '' (none), '.', ',', "'" or ' '
    shape           wide (a column per channel) or long (a row per channel and time)
    zone            AREA/CITY of the recorder's clock; '' is the book's
    unit            unit of temperature columns that carry none: c, f or k
    open_values     texts or numbers that the recorder writes for an open circuit
    missing_values  texts that stand for no value
    readings        numbers that look like a sentinel and are readings
    blank_times     rows without a time: 'spread' evenly between the written ones, or 'skip'
    repeated_times  rows with the same time and other values: 'spread' (rounded times), or 'first' (duplicates)
    headings        where a heading within the data says something else: 'join' (each column by its name), 'first'
                    (only the rows below headings like the first), or 'keep' (columns as they stand)
    minus           negative numbers are written '1.5-' ('behind') or '(1.5)' ('brackets')
    short_rows      rows with fewer cells than the heading: 'blank' (the last cells are blank) or 'skip' (left out)
    status          words beside the values that call them worth nothing: 'out' takes these out, 'keep' does not
    skip            rows beginning with one of these texts are left out
    heading         line of the heading, or 'none'; '' finds it
    columns         the columns that are read, '1-6' or '1,3-5'; '' is all
    written_time    the strptime format that was stated for the times: they are put as ISO when the file is opened
    floors          NAME=VALUE: lower readings of that channel are below the sensor's range
    scales          NAME=FACTOR: readings of that channel are multiplied
    believed        channels that are right as they stand, odd as they look
    renamed         NAME=NEW: that channel is called NEW, as in the run's other files
    """

    encoding: str = ""
    delimiter: str = ""
    decimal: str = ""
    thousands: str = ""
    sheet: str = ""
    shape: str = ""
    zone: str = ""
    unit: str = ""
    open_values: tuple[str, ...] = ()
    missing_values: tuple[str, ...] = ()
    readings: tuple[str, ...] = ()
    blank_times: str = ""
    repeated_times: str = ""
    headings: str = ""
    minus: str = ""
    short_rows: str = ""
    status: str = ""
    skip: tuple[str, ...] = ()
    heading: str = ""
    columns: str = ""
    written_time: str = ""
    floors: tuple[str, ...] = ()
    scales: tuple[str, ...] = ()
    believed: tuple[str, ...] = ()
    renamed: tuple[str, ...] = ()
    channels: tuple[ChannelRule, ...] = ()


@dataclass(frozen=True)
class Layout(Settings):
    """How one recorder writes: the settings, and what they leave of its columns.

    time_columns    names of the columns that together give the time; '#1' is the first column
    time_kind       clock (date and time), time of day (no date), elapsed, serial (day count of a spreadsheet)
    time_format     strptime format of the columns joined by a blank; for elapsed one of ELAPSED_FORMATS;
                    for serial the epoch: 1900, 1904 (days), 1970, '1900 s', '1904 s' (seconds, UTC)
    channel_column, value_column, unit_column   of a long file
    """

    encoding: str = "utf-8"
    delimiter: str = ","
    decimal: str = "."
    shape: str = "wide"
    name: str = ""
    time_columns: tuple[str, ...] = ()
    time_kind: str = "clock"
    time_format: str = ""
    channel_column: str = ""
    value_column: str = ""
    unit_column: str = ""

    def rule(self, *names: str) -> ChannelRule | None:
        """The rule for a column of these names: a name goes before a pattern, and of two patterns the one that says
        more of the name, then the one with a unit (the first stated, where both say as much)."""
        fitting = [r for r in self.channels if r.fits(*names)]
        exact = {n.casefold() for n in names}

        def says(r: ChannelRule) -> tuple[bool, int, bool]:
            return r.name.casefold() in exact, len(re.sub(r"[*?]", "", r.name)), bool(r.unit)

        return max(fitting, key=says, default=None)

    def believes(self, *names: str) -> bool:
        """Was a column said to be right as it stands."""
        return any(fits(b, *names) for b in self.believed)

    def said_of(self, stated: tuple[str, ...], *names: str) -> list[str]:
        """The values of NAME=VALUE texts that are about a column of these names, in their order."""
        pairs = [named_value(s) for s in stated]
        return [value for pattern, value in pairs if pattern and fits(pattern, *names)]

    def to_toml(self) -> str:
        """The layout as TOML, its name first; what is empty is left out."""
        lines = []
        for item in sorted(fields(self), key=lambda f: f.name != "name"):
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
    "headings": ("", "join", "first", "keep"),
    "minus": ("", "behind", "brackets"),
    "short_rows": ("", "blank", "skip"),
    "status": ("", "out", "keep"),
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
            f"{where} is not TOML: {exc}", remedy="See `loadbook trace layout show` for an example"
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
    _check_stated(layout, where)
    if layout.encoding != "workbook":
        checked_encoding(layout.encoding)
    if layout.zone:
        zone_of(layout.zone)
    if layout.decimal == layout.thousands:
        raise UsageError(f"{where}: decimal and thousands mark are both {layout.decimal!r}")
    for rule in layout.channels:
        if rule.role and rule.role not in LAYOUT_ROLES:
            raise UsageError(f"{where}: {rule.role!r} is not a role", remedy=f"Write one of: {', '.join(LAYOUT_ROLES)}")
    return layout


def _check_time(layout: Layout, where: str) -> None:
    fmt = layout.time_format
    if layout.time_kind == "elapsed" and fmt not in ELAPSED_FORMATS:
        raise UsageError(
            f"{where}: time_format of elapsed times cannot be {fmt!r}", remedy=f"One of: {ELAPSED_FORMATS}"
        )
    if layout.time_kind == "serial" and fmt not in EPOCHS:
        raise UsageError(f"{where}: time_format of serial times cannot be {fmt!r}", remedy=f"One of: {EPOCHS}")
    needed = {"clock": (r"%d", r"%[mb]", r"%[yY]", r"%[HI]", r"%-?M"), "time of day": (r"%[HI]", r"%-?M")}
    if fmt and any(not re.search(mark, fmt) for mark in needed.get(layout.time_kind, ())):
        raise UsageError(
            f"{where}: time_format {fmt!r} is not a complete {layout.time_kind}", remedy="Such as %d/%m/%Y %H:%M:%S"
        )


def _check_stated(layout: Layout, where: str) -> None:
    if layout.heading and layout.heading != "none" and not layout.heading.isdigit():
        raise UsageError(f"{where}: heading cannot be {layout.heading!r}", remedy="Write its line's number, or none")
    column_places(layout.columns)
    for text in layout.renamed:
        if not all(named_value(text)):
            raise UsageError(f"{where}: a name cannot be given by {text!r}", remedy="Write NAME=NEW: 'Load 1=TC 1'")
    for what, stated in (("floor", layout.floors), ("scale", layout.scales)):
        for text in stated:
            name, value = named_value(text)
            try:
                number = float(value)
            except ValueError:
                number = float("nan")
            if not name or not math.isfinite(number) or (what == "scale" and number == 0):
                raise UsageError(f"{where}: {what} cannot be {text!r}", remedy="Write NAME=NUMBER: 'TC 1=0.001'")


def column_places(text: str) -> list[int]:
    """The places (from 0) that '1-6' or '1,3-5' names, [] for ''. Raises UsageError for anything else.

    >>> column_places("1,3-5")
    [0, 2, 3, 4]
    """
    places: list[int] = []
    for part in text.split(",") if text else []:
        match = re.fullmatch(r"\s*(\d{1,5})(?:\s*-\s*(\d{1,5}))?\s*", part)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (0, 0)
        if not 0 < first <= last:
            raise UsageError(f"columns cannot be {text!r}", remedy="Write their numbers, such as 1-6 or 1,3-5")
        places += range(first - 1, last)
    return list(dict.fromkeys(places))


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
    role, unit = role.strip().lower(), unit.strip()
    if not equals or not name.strip() or role not in LAYOUT_ROLES:
        raise UsageError(
            f"--channel {text!r} does not say NAME=role",
            remedy=f"Roles: {', '.join(LAYOUT_ROLES)}; with a unit: NAME=role,f",
        )
    _check_unit(text, role, unit)
    return ChannelRule(name.strip(), role, unit)


def _check_unit(text: str, role: str, unit: str) -> None:
    """Raises UsageError where a role is given a unit that no such channel has."""
    if not unit or role in ("other", "oxygen", "ignore"):
        return
    key, what = unit_of(unit), "pressure" if role == "pressure" else "temperature"
    if key not in DIMENSIONS[what]:
        raise UsageError(
            f"--channel {text!r}: {unit!r} is not a unit of {what}",
            remedy=f"One of: {', '.join(DIMENSIONS[what])}; a channel in {unit} is other: NAME=other,{unit}",
        )


def with_rules(layout: Layout, rules: tuple[ChannelRule, ...]) -> Layout:
    """The layout with these rules going before its own."""
    named = {r.name.casefold() for r in rules}
    return replace(layout, channels=(*rules, *(r for r in layout.channels if r.name.casefold() not in named)))
