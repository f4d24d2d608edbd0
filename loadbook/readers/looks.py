"""What a person sees of a sheet beside its values: number formats, errors, what is hidden and what is struck out.

Form: ECMA-376 part 1, sections 18.2.20 (sheets), 18.3.1.4 (cells), 18.3.1.13 (columns), 18.3.1.73 (rows), 18.8.10
(styles).
"""

from __future__ import annotations

import io
import posixpath
import re
import zipfile
from dataclasses import dataclass, field
from xml.etree import ElementTree

from loadbook.core.outside import MOST_COLUMNS

from .number_formats import Shown, shown_of_styles

_CELL = re.compile(  # of a style of its own, or an error
    rb"<(?:[\w.-]+:)?c(?=\s[^<>]*?(?<=\s)(?:s\s*=\s*[\"'][1-9]|t\s*=\s*[\"']e))([^<>]*?)/?>"
)
_VALUE = re.compile(
    rb"\s*(?:<(?:[\w.-]+:)?f\b[^<>]*(?:/>|>[^<]*</(?:[\w.-]+:)?f>))?\s*<(?:[\w.-]+:)?v>([^<]*)<"
)  # of a cell, behind its formula
_HIDDEN = re.compile(rb"<(?:[\w.-]+:)?(row|col)(?=\s)([^<>]*\shidden\s*=\s*[\"'](?:1|true)[\"'][^<>]*)>")
_ATTRIBUTE = re.compile(rb"(?<![\w:.-])(r|s|t|min|max)\s*=\s*[\"']([^\"'<>]*)[\"']")
_PLACE = re.compile(r"([A-Z]{1,3})([1-9][0-9]{0,6})")

Place = tuple[int, int]  # row and column, both from 0


@dataclass
class Looks:
    """Of one sheet: what the number format of each cell that has one but General shows (None: nothing that is known),
    the cells that hold an error, the rows and columns that are hidden, and the cells that are struck out.
    """

    formats: dict[Place, Shown | None] = field(default_factory=dict)
    errors: dict[Place, str] = field(default_factory=dict)
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)
    struck: set[Place] = field(default_factory=set)


def columns_of(spans: list[tuple[int, int]]) -> set[int]:
    """The columns in spans from the first to before the last."""
    return {c for first, last in spans[:MOST_COLUMNS] for c in range(first, min(last, MOST_COLUMNS))}


class Sheets:
    """The looks of an XLSX workbook, sheet by sheet; `hidden` are the titles of sheets that are.

    Raises what the zip reader raises, and ValueError for a part that is no XML
    """

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.hidden: set[str] = set()
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = {name.lower(): name for name in archive.namelist()}
            self.parts = self._parts(archive, names)
            styles = names.get("xl/styles.xml")
            self.shown, self.struck = _styles(archive.read(styles)) if styles else ({}, set())
        self.units = any(s is not None and s.unit for s in self.shown.values())
        self._looks: dict[str, Looks] = {}

    def of(self, sheet: str) -> Looks:
        """What the cells of a sheet look like; looked at once."""
        if sheet not in self._looks:
            self._looks[sheet] = self._look(sheet)
        return self._looks[sheet]

    def _look(self, sheet: str) -> Looks:
        found = Looks()
        part = self.parts.get(sheet)
        if part is None:
            return found
        with zipfile.ZipFile(io.BytesIO(self.data)) as archive:
            text = archive.read(part)
        for match in _CELL.finditer(text):
            given = dict(_ATTRIBUTE.findall(match[1]))
            place = _place(given.get(b"r", b"").decode("ascii", "replace"))
            if place is None:
                continue
            kind, style = given.get(b"t", b"n"), _number(given.get(b"s"))
            if kind == b"e":
                value = _VALUE.match(text, match.end())
                found.errors[place] = value[1].decode("utf-8", "replace") if value else "#"
            elif kind == b"n" and style in self.shown:
                found.formats[place] = self.shown[style]
            if style in self.struck:
                found.struck.add(place)
        spans = []
        for match in _HIDDEN.finditer(text):
            given = dict(_ATTRIBUTE.findall(match[2]))
            if match[1] == b"row":
                found.hidden_rows.add(_number(given.get(b"r")) - 1)
            else:
                spans.append((_number(given.get(b"min")) - 1, _number(given.get(b"max"))))
        found.hidden_columns = columns_of(spans)
        return found

    def _parts(self, archive: zipfile.ZipFile, names: dict[str, str]) -> dict[str, str]:
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
            if element.get("state", "visible") != "visible":
                self.hidden.add(element.get("name", ""))
        return found


def _number(text: bytes | None) -> int:
    return int(text) if text and text.isdigit() else 0


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


def _styles(text: bytes) -> tuple[dict[int, Shown | None], set[int]]:
    """Place of a cell style -> what its number format shows; and the styles that are struck out."""
    codes, fonts, styles = {}, [], []
    for element in _tree(text):
        if _local(element.tag) == "numFmts":
            numbered = [f for f in element if f.get("numFmtId", "").isdigit()]
            codes = {int(f.get("numFmtId", "0")): f.get("formatCode", "") for f in numbered}
        elif _local(element.tag) == "fonts":
            fonts = [any(_local(e.tag) == "strike" and e.get("val", "1") in ("1", "true") for e in f) for f in element]
        elif _local(element.tag) == "cellXfs":
            styles = [(int(x.get("numFmtId") or 0), int(x.get("fontId") or 0)) for x in element]
    struck = {place for place, (_, font) in enumerate(styles) if font < len(fonts) and fonts[font]}
    return shown_of_styles((form for form, _ in styles), codes), struck


def _tree(text: bytes) -> ElementTree.Element:
    """Raises ValueError for what is no XML, or declares entities of its own."""
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        raise ValueError("it declares entities of its own")
    try:
        return ElementTree.fromstring(text)
    except ElementTree.ParseError as exc:
        raise ValueError(str(exc)) from exc
