"""What a workbook's number formats show around a number: a unit, leading zeros, a percent sign; and which cells are
errors.

The workbook reader gives bare values: `0.000" in"` comes as 24.06, `0000` as 7. A person reads what the sheet shows.

Form: ECMA-376 part 1, sections 18.3.1.4 (cells), 18.8.30 and 18.8.31 (number formats).
"""

from __future__ import annotations

import io
import posixpath
import re
import zipfile
from dataclasses import dataclass
from functools import lru_cache
from xml.etree import ElementTree

from loadbook.core import units

_BUILTIN = {1: "0", 2: "0.00", 3: "#,##0", 4: "#,##0.00", 9: "0%", 10: "0.00%"}
_PIECE = re.compile(
    r'"([^"]*)"|\\(.)|\[\$([^\]-]*)(?:-[^\]]*)?\]|\[[^\]]*\]|_.|\*.|(General)|([0#?.,%Ee+/@-])|(.)', re.DOTALL
)
_CELL = re.compile(rb"<(?:[\w.-]+:)?c(?=\s)([^<>]*?)/?>")
_VALUE = re.compile(
    rb"\s*(?:<(?:[\w.-]+:)?f\b[^<>]*(?:/>|>[^<]*</(?:[\w.-]+:)?f>))?\s*<(?:[\w.-]+:)?v>([^<]*)<"
)  # of a cell, behind its formula
_ATTRIBUTE = re.compile(rb"(?<![\w:.-])([rst])\s*=\s*[\"']([^\"'<>]*)[\"']")
_PLACE = re.compile(r"([A-Z]{1,3})([1-9][0-9]{0,6})")

Place = tuple[int, int]  # row and column, both from 0


@dataclass(frozen=True)
class Shown:
    """What a number format makes of a number.

    digits  least digits before the point ("0000": 4);  decimals  of them behind it, None where it does not say
    percent  is it shown a hundredfold;  thousands  by which power of 1000 it is shown smaller
    powers   is it shown with a power of ten, so that no name is to be made of it
    before, after  the words around it
    """

    digits: int
    decimals: int | None
    percent: bool
    thousands: int
    before: str
    after: str
    powers: bool = False

    @property
    def unit(self) -> str:
        """The unit behind the number, '' where there is none that is known; the unit of a time is the time's to say."""
        if self.percent:
            return "%"
        unit = self.after.strip()
        timed = units.unit_key(unit) in units.DIMENSIONS["duration"]
        return unit if not self.thousands and units.known(unit) and not timed else ""

    def value(self, number: float) -> float:
        """The number as it is shown, none of its digits lost."""
        if self.percent:
            return float(f"{number * 100.0:.15g}")
        return float(f"{number / 1000.0**self.thousands:.15g}") if self.thousands else number

    def text(self, number: float) -> str:
        """The whole of what the cell shows.

        >>> shown("0000").text(7.0), shown("0.00").text(1.1), shown('"S-"000').text(8.0), shown("General").text(7.5)
        ('0007', '1.10', 'S-008', '7.5')
        """
        value = self.value(abs(number))
        plain = f"{value:.15g}" if self.decimals is None else f"{value:.{self.decimals}f}"
        whole, point, rest = plain.partition(".")
        sign = "-" if number < 0 else ""
        return f"{sign}{self.before}{whole.zfill(self.digits)}{point}{rest}{self.after}{'%' if self.percent else ''}"


@lru_cache(512)
def shown(form: str) -> Shown | None:
    """What a format code shows of a positive number; None for dates, fractions and text.

    >>> shown('0.0" °C"').unit, shown('#,##0.000\\\\ "in"').unit, shown("0.0%").unit, shown('0" pcs"').unit
    ('°C', 'in', '%', '')
    >>> shown("yyyy-mm-dd hh:mm") is None, shown('0.0E+00" torr"').unit
    (True, 'torr')
    """
    first = re.split(r';(?=(?:[^"]*"[^"]*")*[^"]*$)', form)[0]
    powers = re.search(r"[0#.][Ee][+-]0+", first)
    if powers:
        first = first[: powers.start() + 1] + first[powers.end() :]
    before, after, marks, general = "", "", "", False
    for quoted, escaped, currency, whole, mark, other in _PIECE.findall(first):
        words = quoted or escaped or currency
        general = general or bool(whole)
        if mark in ("", "-", "+"):
            words += mark
            if other and not (other.isspace() or other in "°º℃℉µμ$€£()'’" or ord(other) > 127):
                return None  # a letter outside of quotes is of a date
            words += other
            if marks or general:
                after += words
            else:
                before += words
        elif mark in "Ee/@":
            return None
        else:
            if after.strip() and mark != "%":
                return None  # words among the digits
            marks += mark
    percent, digits = "%" in marks, marks.replace("%", "")
    if not (digits or general):
        return None
    scaled = len(digits) - len(digits.rstrip(","))
    whole_part, point, rest = digits.rstrip(",").partition(".")
    decimals = None if general or (point and rest.strip("0")) else len(rest)
    return Shown(whole_part.count("0"), decimals, percent, scaled, before.lstrip(), after.rstrip(), powers is not None)


@dataclass(frozen=True)
class Looks:
    """Of one sheet: what the number format of each cell that has one but General shows (None: nothing that is known),
    and the cells that hold an error.
    """

    formats: dict[Place, Shown | None]
    errors: dict[Place, str]


class Formats:
    """Number formats of an XLSX workbook, sheet by sheet.

    Raises what the zip reader raises, and ValueError for a part that is no XML
    """

    def __init__(self, data: bytes) -> None:
        self.data = data
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = {name.lower(): name for name in archive.namelist()}
            self.parts = _sheet_parts(archive, names)
            styles = names.get("xl/styles.xml")
            self.of_style = _styles(archive.read(styles)) if styles else {}
        self.units = any(s is not None and s.unit for s in self.of_style.values())
        self._looks: dict[str, Looks] = {}

    def of(self, sheet: str) -> Looks:
        """What the cells of a sheet look like; looked at once."""
        if sheet not in self._looks:
            self._looks[sheet] = self._look(sheet)
        return self._looks[sheet]

    def _look(self, sheet: str) -> Looks:
        part = self.parts.get(sheet)
        if part is None:
            return Looks({}, {})
        with zipfile.ZipFile(io.BytesIO(self.data)) as archive:
            text = archive.read(part)
        formats: dict[Place, Shown | None] = {}
        errors: dict[Place, str] = {}
        for found in _CELL.finditer(text):
            given = dict(_ATTRIBUTE.findall(found[1]))
            place = _place(given.get(b"r", b"").decode("ascii", "replace"))
            if place is None:
                continue
            kind = given.get(b"t", b"n")
            if kind == b"e":
                value = _VALUE.match(text, found.end())
                errors[place] = value[1].decode("utf-8", "replace") if value else "#"
            elif kind == b"n" and (style := given.get(b"s", b"0").decode("ascii", "replace")) in self.of_style:
                formats[place] = self.of_style[style]
        return Looks(formats, errors)


def _place(reference: str) -> Place | None:
    found = _PLACE.fullmatch(reference.upper())
    if found is None:
        return None
    column = 0
    for letter in found[1]:
        column = column * 26 + ord(letter) - 64
    return int(found[2]) - 1, column - 1


def _local(tag: str) -> str:
    return tag.rpartition("}")[2]


def _sheet_parts(archive: zipfile.ZipFile, names: dict[str, str]) -> dict[str, str]:
    """Title of a sheet -> the part that holds its cells."""
    rels = names.get("xl/_rels/workbook.xml.rels")
    if rels is None:
        return {}
    targets = {e.get("Id"): e.get("Target", "") for e in _tree(archive.read(rels)).iter()}
    found = {}
    for element in _tree(archive.read(names["xl/workbook.xml"])).iter():
        if _local(element.tag) != "sheet":
            continue
        at = next((v for k, v in element.attrib.items() if _local(k) == "id" and k != "id"), None)
        target = targets.get(at, "")
        part = target.lstrip("/") if target.startswith("/") else posixpath.normpath(f"xl/{target}")
        if part.lower() in names:
            found[element.get("name", "")] = names[part.lower()]
    return found


def _styles(text: bytes) -> dict[str, Shown | None]:
    """Number of a cell style -> what its format shows, where it is another than General."""
    codes = dict(_BUILTIN)
    found: dict[str, Shown | None] = {}
    root = _tree(text)
    for element in root.iter():
        if _local(element.tag) == "numFmt" and element.get("numFmtId", "").isdigit():
            codes[int(element.get("numFmtId", "0"))] = element.get("formatCode", "")
    styles = next((e for e in root.iter() if _local(e.tag) == "cellXfs"), None)
    for number, style in enumerate(styles if styles is not None else ()):
        which = int(style.get("numFmtId", "0") or 0)
        form = codes.get(which, "General" if which == 0 else "@" if which == 49 else "odd")
        if form not in ("General", "@"):
            found[str(number)] = shown(form)
    return found


def _tree(text: bytes) -> ElementTree.Element:
    """Raises ValueError for what is no XML, or declares entities of its own."""
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        raise ValueError("it declares entities of its own")
    try:
        return ElementTree.fromstring(text)
    except ElementTree.ParseError as exc:
        raise ValueError(str(exc)) from exc
