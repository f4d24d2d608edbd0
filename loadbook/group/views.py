"""The views of a group: the very SQL files of one book, over the tables of all its plants.

Two plants may both have a run R24-002, a furnace F1, a gauge G1. So every key of a plant's own is read with the
plant's name before it ('Linz/R24-002'), and the views join as they do in one book. Names that mean the same
everywhere (materials, part numbers that the plants describe alike) are shown plain by the views that people ask,
which have one column more, `plant`.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import cache

from loadbook.core.errors import UsageError
from loadbook.store import sql_files
from loadbook.store.sql_files import shipped

from .parquet import PLANT
from .published import RECORD
from .read import group_columns

# columns that name something of the plant's own, in whatever table they stand
KEYS = (
    "run", "repeats_run", "part", "serial", "material", "job", "furnace", "gauge", "calibration", "cycle", "trace_id",
    "reading_id", "answer_id",
)  # fmt: skip
# the views that people ask; their first column is the plant
ASKED = ("faults", "movement", "parameters", "pieces", "readings", "runs", "samples", "verdicts")
SHARED = ("part", "material")  # shown without the plant
APART = "part_told_apart"
MOVEMENT = "movement"
PUBLISHED = "published_trace"  # made by the engine: (file, run), a file being what `samples` calls file_index
TRACE_FILES = "trace_file"
_INNER = "_of_all_plants"
MOVEMENT_ROWS = MOVEMENT + _INNER  # its rows before the plant is put first


@dataclass(frozen=True)
class Made:
    """One view to be made: `text` in DuckDB's words; `asked` where plant is to be put first and names shown plain."""

    name: str
    text: str
    asked: bool = False

    @property
    def inner(self) -> str:
        """The view's name before the plant is put first."""
        return self.name + _INNER if self.asked else self.name


@cache
def own() -> dict[str, sql_files.SqlFile]:
    """The SQL files that only a group needs."""
    return {f.stem: sql_files.read(f) for f in sorted((shipped("schema") / "group").glob("*.sql"))}


def names() -> tuple[list[str], list[str]]:
    """The tables and the views that a question to a group may name."""
    return sorted(t for t in group_columns() if t != RECORD), sorted(sql_files.views())


def plan(needs: Iterable[str], given: Collection[str] = ()) -> tuple[list[str], list[Made]]:
    """(tables to read, views to make in order) for the tables and views named.

    given   views whose rows are there: they need nothing, and their text is the engine's to write
    Raises UsageError for a name that a group does not have
    """
    wanted = set(needs)
    tables, views = names()
    known = {**sql_files.views(), **own()}
    unknown = sorted(wanted - {*tables, *known, RECORD})
    if unknown:
        raise UsageError(
            f"the group has no table or view named {', '.join(unknown)}", remedy=f"It has: {', '.join(views + tables)}"
        )
    if wanted & set(ASKED):
        wanted.add(APART)
    ordered: dict[str, sql_files.SqlFile] = {}
    base: set[str] = set()

    def place(name: str) -> None:
        if name not in known:
            base.add(name)
        elif name not in ordered:
            for need in known[name].needs if name not in given else ():
                place(need)
            ordered[name] = known[name]

    for name in sorted(wanted, key=lambda n: (n != APART, n)):
        place(name)
    made = [Made(name, "" if name in given else f.text, name in ASKED) for name, f in ordered.items()]
    return sorted(base - {PUBLISHED}), made


def times_named(name: str, views: Iterable[Made]) -> int:
    """How often the texts of a plan's views name a table or view."""
    return sum(len(re.findall(rf"(?:FROM|JOIN) {name}\b", view.text)) for view in views)


def times_read(table: str, views: Sequence[Made]) -> int:
    """How often one of a plan's views reads a table at most, each view being worked out where it is named.

    views  in order, each after those that it names
    """
    read = {table: 1}
    for view in views:
        read[view.name] = sum(n * times_named(name, [view]) for name, n in list(read.items()))
    return max((read[view.name] for view in views), default=0)


def qualified(columns: Sequence[str]) -> str:
    """The select list of a published table: the plant, and its own keys with the plant's name before them."""
    return ", ".join([PLANT, *(_key(c) if c in KEYS else f'"{c}"' for c in columns)])


def _key(column: str) -> str:
    return f'{PLANT} || \'/\' || CAST("{column}" AS VARCHAR) AS "{column}"'


def with_plant(view: Made, columns: Sequence[str]) -> str:
    """The text of a view that people ask, over the view that was made of its file.

    columns  the columns that the file's view gives
    """
    plant = "substr(v.run, 1, instr(v.run, '/') - 1)"
    after = "instr(v.run, '/') + 1"
    shown = []
    for name in columns:
        if name == "part":
            plain = f"substr(v.part, {after})"
            shown.append(f"CASE WHEN a.number IS NULL THEN {plain} ELSE v.part END AS part")
        elif name in SHARED:
            shown.append(f'substr(v."{name}", {after}) AS "{name}"')
        else:
            shown.append(f'v."{name}"')
    join = f" LEFT JOIN {APART} AS a ON a.number = substr(v.part, {after})" if "part" in columns else ""
    return f"SELECT {plant} AS {PLANT}, {', '.join(shown)} FROM {view.inner} AS v{join}"
