"""Folders that recorders write into: which files in them, read by which layout, and how each one's run is found.

A place is a setting of the book, `watch FOLDER`, its value a JSON object; so it is in the backup, and every change of
it is an amendment. A place that is watched no more keeps its setting, empty.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from loadbook.core.errors import DamageError, NotFoundError, UsageError
from loadbook.core.phrases import did_you_mean, few
from loadbook.core.typed import quote
from loadbook.store.book import BookFolder
from loadbook.store.keeping import put_setting

PREFIX = "watch "  # of the setting's name
QUIET_MIN = 10.0  # more than any recorder waits between two rows that it writes


@dataclass(frozen=True)
class Form:
    """What files of one recorder have in common; channels with the unit that they were read in."""

    workbook: bool
    delimiter: str
    shape: str
    time_kind: str
    time_columns: tuple[str, ...]
    channels: tuple[tuple[str, str], ...]

    def words(self) -> str:
        """Its channels in a few words."""
        names = [f"{name} in {unit}" if unit else name for name, unit in self.channels]
        return few(names, 6)


@dataclass(frozen=True)
class Place:
    """One folder. One of furnace and run_from_name is given.

    folder         absolute
    layout         name of a kept layout; '' where the files say all of it themselves
    furnace        a file's run is the one run of this furnace in whose time it lies
    run_from_name  an expression: a file's run is its group 1 in the file's name
    names          patterns of the files' names; () is all
    leave_out      patterns of names that are none of the recorder's
    pages          folder of the runs' pages; '' writes none
    quiet_min      minutes for which a file must have stood unchanged
    open_end       this recorder writes no line end after the last line
    forms          the forms that the layout is for: a file of another one is asked about
    """

    folder: str
    layout: str = ""
    furnace: str = ""
    run_from_name: str = ""
    names: tuple[str, ...] = ()
    leave_out: tuple[str, ...] = ()
    pages: str = ""
    quiet_min: float = QUIET_MIN
    open_end: bool = False
    forms: tuple[Form, ...] = ()

    @property
    def path(self) -> Path:
        return Path(self.folder)

    @property
    def finds(self) -> str:
        """How a file's run is found, in words."""
        return f"by furnace {self.furnace} and time" if self.furnace else f"by the name: {self.run_from_name}"

    def holds(self, name: str) -> bool:
        """Is a file of this name one of the recorder's?"""
        low = name.casefold()
        return (not self.names or any(fnmatchcase(low, p.casefold()) for p in self.names)) and not any(
            fnmatchcase(low, p.casefold()) for p in self.leave_out
        )

    def words(self) -> list[str]:
        """What finds the run and reads the file, as words of `trace take`."""
        found = ["--furnace", self.furnace] if self.furnace else ["--run-from-name", self.run_from_name]
        return [*found, *(["--layout", self.layout] if self.layout else [])]


def places(book: BookFolder) -> list[Place]:
    """The book's places, in the order of their folders. Raises DamageError."""
    rows = book.read().execute(
        "SELECT name, value FROM setting WHERE name LIKE ? AND value <> '' ORDER BY name", (f"{PREFIX}%",)
    )
    return [_read(name, value) for name, value in rows.fetchall()]


def find(book: BookFolder, folder: Path) -> Place | None:
    """The place of a folder, None where the book has none."""
    name = f"{PREFIX}{absolute(folder)}"
    value = book.setting(name)
    return _read(name, value) if value else None


def put(book: BookFolder, place: Place, why: str = "loadbook watch add") -> None:
    """Keep a place, in the stead of what its folder had. Raises what `check` raises."""
    check(book, place)
    _put(book, place.folder, json.dumps(asdict(place), ensure_ascii=False, sort_keys=True), why)


def drop(book: BookFolder, folder: Path) -> None:
    """Watch a folder no more. Raises NotFoundError."""
    if find(book, folder) is None:
        known = [p.folder for p in places(book)]
        raise NotFoundError(
            "this folder is not watched", where=str(folder),
            remedy=did_you_mean(absolute(folder), known) + "See: loadbook watch list",
        )  # fmt: skip
    _put(book, absolute(folder), "", "loadbook watch drop")


def check(book: BookFolder, place: Place) -> None:
    """Raises UsageError, NotFoundError where a place cannot be watched as it is described."""
    from .kept_layouts import kept_layout

    if bool(place.furnace) == bool(place.run_from_name):
        raise UsageError(
            "say how a file's run is found: --furnace FURNACE (by its time) or --run-from-name REGEX",
            where=place.folder, remedy="One of them",
        )  # fmt: skip
    expression(place)
    conn = book.read()
    if place.furnace and conn.execute("SELECT 1 FROM furnace WHERE furnace = ?", (place.furnace,)).fetchone() is None:
        known = [r[0] for r in conn.execute("SELECT furnace FROM furnace")]
        remedy = did_you_mean(place.furnace, known) + "See: loadbook list furnaces"
        raise NotFoundError(f"the book has no furnace {place.furnace!r}", remedy=remedy)
    if place.layout:
        kept_layout(conn, place.layout)
    if place.pages and Path(place.pages).is_relative_to(place.path):
        raise UsageError("the pages would be written into the watched folder", remedy="Name another with --pages")
    if not 0 < place.quiet_min <= 24 * 60:
        raise UsageError(f"--quiet-minutes {place.quiet_min:g}: more than 0, and at most a day (1440)")


def expression(place: Place) -> re.Pattern[str] | None:
    """How the run is found in a name. Raises UsageError."""
    try:
        return re.compile(place.run_from_name) if place.run_from_name else None
    except re.error as exc:
        raise UsageError(f"--run-from-name is not a regular expression: {exc}", remedy="Such as '(R-[0-9-]+)'") from exc


def absolute(folder: Path) -> str:
    """A folder from the root on, without `..`; a link stays the name that people know."""
    return os.path.abspath(folder)  # noqa: PTH100 - Path.absolute keeps `..`


def command(*words: str) -> str:
    """A command as it must be typed."""
    return " ".join(["loadbook", *(w if re.fullmatch(r"--?[a-z-]+", w) else quote(w) for w in words)])


def _put(book: BookFolder, folder: str, value: str, why: str) -> None:
    with book.write() as conn:
        put_setting(conn, f"{PREFIX}{folder}", value, why)


def _read(name: str, value: str) -> Place:
    try:
        said = json.loads(value)
        known = {f.name for f in fields(Place)}
        given: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in said.items() if k in known}
        place = Place(**given | {"forms": tuple(_form(f) for f in said.get("forms", ()))})
        if f"{PREFIX}{place.folder}" != name or not isinstance(place.quiet_min, (int, float)):
            raise ValueError(place.folder)
    except (ValueError, TypeError, KeyError, AttributeError) as exc:
        raise DamageError(
            f"the setting {name!r} does not describe a folder to watch",
            remedy=f"Clear it with {command('amend', 'settings', name, 'value=', '--why', 'TEXT')}, and add it again",
        ) from exc
    return place


def _form(said: dict[str, Any]) -> Form:
    pairs: Iterable[Any] = said["channels"]
    return Form(**said | {"time_columns": tuple(said["time_columns"]), "channels": tuple((n, u) for n, u in pairs)})
