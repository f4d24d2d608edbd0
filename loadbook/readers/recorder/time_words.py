"""Times in other writings than the usual ones (`09:58:00 14.03.2024`, `a. m.`, `09h58`, `2024年3月14日`, weekdays in
other languages, `0 days 00:05:00`), put as the usual ones in place, so that all that follows need not know of them.

Only how a time is written is changed: the order of day and month stays as it stands, and is asked as ever.
"""

from __future__ import annotations

import re
from functools import lru_cache

from .cells import Columns, kind
from .grid import Grid

_TIMES = ("moment", "date", "clock", "duration")
_SAMPLE = 60
_DAYS = re.compile(  # English is read anyway; German, French, Spanish, Italian, Portuguese, Dutch, Nordic
    r"^(?:montag|dienstag|mittwoch|donnerstag|freitag|samstag|sonnabend|sonntag|mo|di|mi|do|fr|sa|so"
    r"|lundi|mardi|mercredi|jeudi|vendredi|samedi|dimanche|lun|mar|mer|jeu|ven|sam|dim"
    r"|lunes|martes|miércoles|miercoles|jueves|viernes|sábado|sabado|domingo|mié|mie|jue|vie|sáb|sab|dom"
    r"|lunedì|martedì|mercoledì|giovedì|venerdì|domenica|gio"
    r"|(?:segunda|terça|quarta|quinta|sexta)(?:-feira)?|seg|ter|qua|qui|sex"
    r"|maandag|dinsdag|woensdag|donderdag|vrijdag|zaterdag|zondag|ma|wo|vr|za|zo"
    r"|måndag|tisdag|onsdag|torsdag|fredag|lördag|søndag|söndag|mandag|tirsdag|lørdag|mon|tue|wed|thu|fri|sat|sun"
    r")[.,]?\s+(?=\d)",
    re.IGNORECASE,
)
_NOON = re.compile(r"(?<=[\d\s])([AaPp])\.\s?[Mm]\.?(?![A-Za-z])|(?<=\d\s)([AaPp])\s[Mm]$")
_NOON_BEFORE = re.compile(r"\s*(上午|下午|오전|오후|\b[AaPp][Mm]\b)\s*(\d{1,2}:\d{2}(?::\d{2})?)$")
_AFTER = {"上午": "AM", "下午": "PM", "오전": "AM", "오후": "PM"}
_SIGNS = re.compile(r"^(\d{4})\s?[年년]\s?(\d{1,2})\s?[月월]\s?(\d{1,2})\s?[日일]")
_SIGNS_CLOCK = re.compile(r"(\d{1,2})\s?[时時시点]\s?(\d{1,2})\s?[分분](?:\s?(\d{1,2})\s?[秒초])?$")
_LETTERS = re.compile(
    r"(?<![\d:])(\d{1,3})\s?h\s?(\d{2})(?:\s?(?:m|min|mn)?\s?(\d{2})\s?s?|\s?(?:m|min|mn))?$", re.IGNORECASE
)
_WORD_BEHIND = re.compile(r"(\d:\d{2}(?::\d{2})?)\s?(?:Uhr|hrs?|h)\.?$", re.IGNORECASE)
_NOON_LETTER = re.compile(r"(\d:\d{2}(?::\d{2}(?:\.\d+)?)?)\s?([AaPp])$")
_UTC_OFF = re.compile(
    r"(\d:\d{2}(?::\d{2}(?:[.,]\d+)?)?)\s*\(?(?:UTC|GMT)\s?([+-])(\d{1,2})(?::?([0-5]\d))?\)?$", re.IGNORECASE
)
_HOURS_OFF = re.compile(r"(\d:\d{2}(?::\d{2}(?:[.,]\d+)?)?\s?[+-]\d{2})$")
_NO_COLONS = re.compile(
    r"^(\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})[ ,_T-]+(\d{2})([-.])(\d{2})(?:\3(\d{2}))?$"
)
_TURNED = re.compile(
    r"^(\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:\s?[AaPp][Mm])?)[ ,_-]+"
    r"(\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|\d{1,2}[-/. ][^\W\d_]{3,10}[-/. ]\d{2,4})$"
)
_DAYS_AND = re.compile(
    r"^(\d{1,4})\s?(?:d|days?|tage?|jours?)[,.]?\s+(\d{1,2}):(\d{2}(?::\d{2}(?:\.\d+)?)?)$", re.IGNORECASE
)


_FRACTION = re.compile(r"\d:\d{1,2}:\d{1,2}[.,:](\d{1,3})(?![\d:])")


@lru_cache(4096)
def as_usual(cell: str) -> str:
    """A time as it is usually written; the cell itself where nothing about it is known.

    >>> as_usual("09:58:00 14.03.2024"), as_usual("14/03/2024 9:58:00 p. m."), as_usual("1 day, 2:03:04")
    ('14.03.2024 09:58:00', '14/03/2024 9:58:00 PM', '26:03:04')
    >>> as_usual("Do. 14.03.2024 09h58"), as_usual("2024年3月14日 下午 1:02:03")
    ('14.03.2024 09:58', '2024-3-14 1:02:03 PM')
    >>> as_usual("3/14/2024 9:58p"), as_usual("2024-03-14 09:58:00 UTC+2"), as_usual("14.03.2024 09:58 (GMT-03:30)")
    ('3/14/2024 9:58 PM', '2024-03-14 09:58:00+02:00', '14.03.2024 09:58-03:30')
    """
    if len(cell) > 64 or not any(ch.isdigit() for ch in cell):
        return cell
    text = re.sub(r"[\s\u00a0\u202f]+", " ", cell).strip()
    text = _DAYS.sub("", text)
    text = _SIGNS.sub(r"\1-\2-\3 ", text).replace("  ", " ").strip()
    text = _SIGNS_CLOCK.sub(lambda m: ":".join(p for p in m.groups() if p), text)
    text = _NOON.sub(lambda m: f"{(m[1] or m[2]).upper()}M", text)
    text = _NOON_BEFORE.sub(lambda m: f" {m[2]} {_AFTER.get(m[1], m[1].upper())}", text).strip()
    text = _LETTERS.sub(lambda m: ":".join(p for p in m.groups() if p), text)
    text = _WORD_BEHIND.sub(r"\1", text)
    text = _NOON_LETTER.sub(lambda m: f"{m[1]} {m[2].upper()}M", text)
    text = _UTC_OFF.sub(lambda m: f"{m[1]}{m[2]}{m[3].zfill(2)}:{m[4] or '00'}", text)
    text = _HOURS_OFF.sub(r"\1:00", text)
    text = _NO_COLONS.sub(lambda m: f"{m[1]} {':'.join(p for p in (m[2], m[4], m[5]) if p)}", text)
    text = _TURNED.sub(r"\2 \1", text)
    return _DAYS_AND.sub(lambda m: f"{int(m[1]) * 24 + int(m[2])}:{m[3]}", text)


def put_as_usual(grid: Grid, columns: Columns) -> bool:
    """Put the times of columns that are written otherwise as usual, in place; whether there were any."""
    found = False
    for c in range(columns.width):
        if columns.share(c, "text") < 0.5 and not (columns.share(c, "duration") and columns.share(c, "text") > 0.1):
            continue
        cells = [r[c] for r in grid.rows if c < len(r) and any(ch.isdigit() for ch in r[c])]
        some = cells[:: max(1, len(cells) // _SAMPLE)]
        told = [x for x in some if kind(x) in _TIMES or kind(as_usual(x)) in _TIMES]
        changed = next((x for x in told if kind(x) not in _TIMES), "")
        if not changed or len(told) < 0.8 * len(some):
            continue
        for row in grid.rows:
            if c < len(row) and kind(row[c]) == "text" and kind(as_usual(row[c])) in _TIMES:
                row[c] = as_usual(row[c])
        grid.notes.append(f"times such as {changed!r} are read as {as_usual(changed)!r}")
        found = True
    return _thousandths(grid, columns) or found


def _thousandths(grid: Grid, columns: Columns) -> bool:
    """Put thousandths of a second that stand without leading zeros (8.13 is 8 s and 13 ms) with them, in place.

    They show in that fractions have one to three digits, some of three end in 0 (a decimal that is cut short never
    does), and none of three begins with 0.
    """
    found = False
    for c in range(columns.width):
        if columns.share(c, "moment", "clock") < 0.8:
            continue
        cells = [(row, m) for row in grid.rows if c < len(row) and (m := _FRACTION.search(row[c]))]
        whole = [m[1] for _, m in cells if len(m[1]) == 3]
        short = [(row, m) for row, m in cells if len(m[1]) < 3]
        if not short or not any(w.endswith("0") for w in whole) or any(w.startswith("0") for w in whole):
            continue
        before = short[0][0][c]
        for row, m in short:
            row[c] = row[c][: m.start(1)] + m[1].zfill(3) + row[c][m.end(1) :]
        grid.notes.append(
            f"{before!r} is read as {short[0][0][c]!r}: the last figures count thousandths of a second, without zeros"
            " before them"
        )
        found = True
    return found
