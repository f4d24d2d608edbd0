"""The SQL files: where they stand, and what their header comments declare.

A file begins with lines `-- key: value`. Keys: title, question, needs (tables and views it names, by comma),
parameter and column, the last two once for each, their fields separated by '|':

    -- parameter: name | type | unit | default | meaning
    -- column: name | type | unit | meaning

Types: text, number, integer, date, month. A default of '-' means that the parameter must be given; an empty
one that it may be left out (NULL). The first line that is no such comment ends the header.

Where the files shipped with the program stand: in the wheel, or beside the package in a checkout.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from loadbook.core.errors import LoadbookError, NotFoundError
from loadbook.core.outside import LARGEST_TEXT, read_file

_PACKAGE = Path(__file__).resolve().parent.parent


def migration_files() -> list[Path]:
    """The files of the schema's steps, NNNN_name.sql, in order."""
    return sorted((shipped("schema") / "migrations").glob("*.sql"))


def shipped(name: str) -> Path:
    """The folder `schema`, or one below `fixtures`, as shipped with the program.

    A wheel holds it under loadbook/_data (an editable checkout has no such folder: then the
    project's own top level serves). Raises NotFoundError where neither has it.
    """
    for root in (_PACKAGE / "_data", _PACKAGE.parent):
        found = root / name
        if found.is_dir():
            return found
    raise NotFoundError(f"the program's own folder {name!r} is missing", remedy="Install loadbook again")


TYPES = ("text", "number", "integer", "date", "month")
REQUIRED = "-"
_LINE = re.compile(r"^--\s*([a-z]+):\s*(.*?)\s*$")
_SPLIT = re.compile(r"\s*\|\s*")


@dataclass(frozen=True)
class SqlParameter:
    """One parameter of a file: `$name` in its text."""

    name: str
    type: str
    unit: str
    default: str
    meaning: str


@dataclass(frozen=True)
class SqlColumn:
    """One column that a file gives."""

    name: str
    type: str
    unit: str
    meaning: str


@dataclass(frozen=True)
class SqlFile:
    """One SQL file: its name (without .sql), what its header declares, and its text without a final semicolon."""

    name: str
    path: Path
    title: str
    question: str
    needs: tuple[str, ...]
    parameters: tuple[SqlParameter, ...]
    columns: tuple[SqlColumn, ...]
    text: str


def parse(name: str, path: Path, source: str) -> SqlFile:
    """A file from its source. Raises LoadbookError, with the line, for a header line that is not as it should be."""
    single: dict[str, str] = {}
    parameters: list[SqlParameter] = []
    columns: list[SqlColumn] = []
    for number, line in enumerate(source.splitlines(), 1):
        if not line.startswith("--"):
            break
        found = _LINE.match(line)
        if not found:
            continue
        key, value = found.groups()
        fields = _SPLIT.split(value)
        where = f"{path.name}:{number}"
        if key == "parameter":
            if len(fields) != 5 or fields[1] not in TYPES or not fields[0].isidentifier():
                raise LoadbookError(
                    "a parameter line is not as it should be",
                    where=where,
                    remedy="Write '-- parameter: name | type | unit | default | meaning' "
                    f"with one of {', '.join(TYPES)}",
                )
            parameters.append(SqlParameter(*fields))
        elif key == "column":
            if len(fields) != 4:
                raise LoadbookError(
                    "a column line is not as it should be",
                    where=where,
                    remedy="Write '-- column: name | type | unit | meaning'",
                )
            columns.append(SqlColumn(*fields))
        elif key in ("title", "question", "needs"):
            single[key] = f"{single[key]} {value}" if key in single else value
    needs = tuple(n.strip() for n in single.get("needs", "").split(",") if n.strip())
    return SqlFile(
        name, path, single.get("title", ""), single.get("question", ""), needs,
        tuple(parameters), tuple(columns), source.rstrip().removesuffix(";"),
    )  # fmt: skip


def read(path: Path) -> SqlFile:
    """A file from disk. Raises LoadbookError where it is no UTF-8 text or larger than any SQL file has to be."""
    try:
        source = read_file(path, LARGEST_TEXT).decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        raise LoadbookError("the SQL file is not UTF-8 text", where=path.name, remedy="Save it as UTF-8") from exc
    source = source.replace("\r\n", "\n").replace("\r", "\n")
    return parse(path.stem, path, source)


@cache
def views() -> dict[str, SqlFile]:
    """The shipped views by name, each after those that it needs."""
    found = {f.stem: read(f) for f in sorted((shipped("schema") / "views").glob("*.sql"))}
    ordered: dict[str, SqlFile] = {}

    def place(name: str, above: tuple[str, ...]) -> None:
        if name in above:
            raise LoadbookError(f"views need one another in a ring: {' > '.join((*above, name))}")
        if name in found and name not in ordered:
            for need in found[name].needs:
                place(need, (*above, name))
            ordered[name] = found[name]

    for name in found:
        place(name, ())
    return ordered


def reports(own: Path | None = None) -> tuple[dict[str, SqlFile], list[str]]:
    """The shipped reports by name, then the .sql files of the folder `own` (a book's `reports/`).

    Returns (the reports, what is wrong with files of the folder): a file that takes a shipped report's name, or
    whose header is not as it should be, is left out and said; the others work all the same.
    """
    found = {f.stem: read(f) for f in sorted((shipped("schema") / "reports").glob("*.sql"))}
    shipped_names = set(found)
    wrong: list[str] = []
    if own is not None and own.is_dir():
        for path in sorted(own.glob("*.sql")):
            if path.stem in shipped_names:
                wrong.append(f"{path.name}: a shipped report has this name. Rename the file")
                continue
            try:
                found[path.stem] = read(path)
            except LoadbookError as exc:
                wrong.append(str(exc))
    return found, wrong


def functions(engine: str = "duckdb") -> dict[str, SqlFile]:
    """What engines write differently, one file for each function in schema/functions/<engine>/, as statements."""
    folder = shipped("schema") / "functions" / engine
    if not folder.is_dir():
        raise NotFoundError(f"no functions are written for {engine}")
    return {f.stem: read(f) for f in sorted(folder.glob("*.sql"))}


def closure(names: Iterable[str], given: Collection[str] = ()) -> tuple[list[str], list[SqlFile]]:
    """The tables to load and the views to make, in order, for the tables and views named.

    given  views that need nothing, because their rows are there
    """
    known = {name: view for name, view in views().items() if name not in given}
    wanted: set[str] = set()
    pending = list(names)
    while pending:
        name = pending.pop()
        if name not in wanted:
            wanted.add(name)
            if name in known:
                pending.extend(known[name].needs)
    return sorted(wanted - set(views())), [v for n, v in known.items() if n in wanted]


def make(
    connection: Any,
    files: Iterable[SqlFile],
    change: Mapping[str, Callable[[str], str]] | None = None,
    at_once: Collection[str] = (),
) -> None:
    """Make the functions and these views in an engine that has their tables.

    change   view -> what makes its text of the file's
    at_once  views that become tables, their rows computed now: where all of them are needed, and more than once
    """
    import duckdb

    for function in functions().values():
        connection.execute(function.text)
    for view in files:
        text = (change or {}).get(view.name, str)(view.text)
        if view.name in at_once:
            with contextlib.suppress(duckdb.Error):  # the question will meet it, and say so
                connection.execute(f"CREATE OR REPLACE TABLE {view.name} AS\n{text}")
                continue
        connection.execute(f"CREATE OR REPLACE VIEW {view.name} AS\n{text}")
