"""A shop's logo before it is kept: is it a picture that page and PDF can draw, and that fetches nothing."""

from __future__ import annotations

from xml.etree import ElementTree

from loadbook.core.errors import LoadbookError, UsageError

from .pdf import draw_logo

_STARTS = {b"\x89PNG\r\n\x1a\n": "png", b"\xff\xd8\xff": "jpeg"}
_REMEDY = "Give a PNG, JPEG or plain SVG file"
_STRANGE = ("script", "foreignObject", "image", "animate", "set", "iframe", "a")  # elements that do more than draw


def checked(data: bytes, where: str) -> str:
    """'png', 'jpeg' or 'svg'. Raises UsageError where it is none, is damaged, or would fetch or run anything."""
    form = next((kind for start, kind in _STARTS.items() if data.startswith(start)), "svg")
    if form == "svg":
        _plain_svg(data, where)
    try:
        draw_logo(form, data)
    except LoadbookError as exc:
        raise UsageError(exc.what, where=where, remedy=_REMEDY) from exc
    return form


def _plain_svg(data: bytes, where: str) -> None:
    if b"<!DOCTYPE" in data.upper() or b"<!ENTITY" in data.upper():
        raise UsageError("this SVG declares a document type or entities", where=where, remedy="Save it as plain SVG")
    try:
        root = ElementTree.fromstring(data)
    except (ElementTree.ParseError, ValueError, LookupError) as exc:
        raise UsageError("this is not a PNG, JPEG or SVG picture", where=where, remedy=_REMEDY) from exc
    if root.tag.rpartition("}")[2] != "svg":
        raise UsageError("this is XML, but no SVG picture", where=where, remedy=_REMEDY)
    for element in root.iter():
        name = str(element.tag).rpartition("}")[2]
        names = [key.rpartition("}")[2].lower() for key in element.attrib]
        refers = [v for k, v in element.attrib.items() if k.rpartition("}")[2] == "href" and not v.startswith("#")]
        strange = name in _STRANGE or any(n.startswith("on") for n in names) or refers
        styled = " ".join([*element.attrib.values(), element.text or "" if name == "style" else ""]).lower()
        if strange or "url(" in styled.replace("url(#", "") or "@import" in styled:
            raise UsageError(
                f"this SVG holds more than a drawing (<{name}>)",
                where=where,
                remedy="Save it as plain SVG, text as paths",
            )
