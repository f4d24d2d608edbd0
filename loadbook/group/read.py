"""A group as it stands in a target: its plants, each at one publication, and the files behind every table."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from loadbook.core import writing
from loadbook.core.errors import DamageError, NotFoundError, UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.store import migrations

from . import rows, run_record
from .manifest import PLANTS, RECOMPUTED, Current, Entry, read_current
from .publish import TRACE
from .published import RECORD, TABLES
from .target import Store

COMPUTED = ("parameter", "finding")  # the tables that the group's own recomputing replaces


@dataclass(frozen=True)
class Plant:
    """One plant's publication, and the group's recomputing of that very publication where there is one."""

    name: str
    folder: str
    current: Current
    recomputed: Current | None
    stale: bool  # there is a recomputing, but of an older publication

    def of(self, table: str) -> list[Entry]:
        """The files of a table."""
        source = self.recomputed if self.recomputed is not None and table in COMPUTED else self.current
        return source.manifest.of(table)


class Group:
    """The plants of a target, read once: whatever is published meanwhile, what was read stays readable."""

    def __init__(self, store: Store, plants: Sequence[Plant], without: Sequence[str] = ()) -> None:
        self.store, self.plants, self.without = store, tuple(plants), tuple(without)

    def files(self, table: str) -> list[str]:
        """Names in the store of the files of a table, plant by plant, month by month."""
        return [e.path for p in self.plants for e in p.of(table)]

    def bring(self, tables: Sequence[str], folder: Path) -> dict[str, list[str]]:
        """Copies in a folder of this machine of the files of some tables: table -> their paths.

        An engine opens a file several times and waits for each; an object store gives hundreds at once.
        Raises DamageError where a file is not what the manifest says; NotFoundError, LoadbookError
        """
        entries = {e.path: (table, e) for table in tables for p in self.plants for e in p.of(table)}
        found: dict[str, list[str]] = {table: [] for table in tables}
        for number, (path, data) in enumerate(self.store.read_many(list(entries))):
            table, entry = entries[path]
            if hashlib.sha256(data).hexdigest() != entry.sha256:
                raise DamageError(
                    "a published file is not what was published", where=f"{self.store.address}: {path}",
                    remedy="Publish again from the plant's book",
                )  # fmt: skip
            copy = folder / f"{number}.parquet"
            with writing.create(copy) as file:
                file.write(data)
            found[table].append(str(copy))
        return found

    def traces(self) -> list[tuple[str, str, str]]:
        """(plant, run, name in the store) of every trace file."""
        return [(p.name, str(e.run), e.path) for p in self.plants for e in p.of(TRACE)]

    def units(self) -> str:
        """What the group shows: the units of all its plants where they agree, else SI."""
        said = {str(p.current.manifest.head.get("units")) for p in self.plants}
        return said.pop() if said in ({"si"}, {"us"}) else "si"

    def zone(self) -> str:
        """The zone of the plants' clocks where they agree, else UTC."""
        said = {str(p.current.manifest.head.get("zone")) for p in self.plants}
        return said.pop() if len(said) == 1 else "UTC"

    def keeps(self, what: str) -> bool:
        """Whether every plant published what is left out by default ('customers', 'people', 'notes', ...)."""
        return all(p.current.manifest.head.get("kept", {}).get(what) for p in self.plants)


def open_group(target: str, without: Sequence[str] = ()) -> Group:
    """The group in a target, without the plants named.

    Raises NotFoundError where nothing was published, UsageError for a plant that is not there, DamageError
    """
    store = Store(target)
    plants = []
    for folder in store.folders(PLANTS):
        current = read_current(store, f"{PLANTS}/{folder}")
        if current is None:
            continue
        recomputed = read_current(store, f"{RECOMPUTED}/{folder}")
        fits = recomputed is not None and recomputed.manifest.head.get("of") == current.sha256
        plants.append(
            Plant(
                str(current.manifest.head["plant"]), folder, current, recomputed if fits else None,
                recomputed is not None and not fits,
            )
        )  # fmt: skip
    if not plants:
        if store.in_this_process_only:
            remedy = "What is in memory:// is seen by the process that put it there alone"
        else:
            remedy = "Publish a book: loadbook group publish TARGET --plant NAME"
        raise NotFoundError("no plant is published here", where=target, remedy=remedy)
    plants.sort(key=lambda p: p.name)
    names = {p.name.lower(): p.name for p in plants} | {p.folder: p.name for p in plants}
    left = set()
    for name in without:
        if name.lower() not in names:
            hint = did_you_mean(name, [p.name for p in plants])
            raise UsageError(f"the group has no plant {name!r}", remedy=hint + "It has: " + _listed(plants))
        left.add(names[name.lower()])
    kept = [p for p in plants if p.name not in left]
    if not kept:
        raise UsageError("every plant is left out", remedy="The group has: " + _listed(plants))
    return Group(store, kept, sorted(left))


def _listed(plants: Sequence[Plant]) -> str:
    return ", ".join(p.name for p in plants)


@cache
def group_columns() -> dict[str, dict[str, str]]:
    """Table -> its published columns with their types for an engine, as this program writes them."""
    conn = sqlite3.connect(":memory:", isolation_level=None)
    try:
        migrations.apply(conn)
        found = {table: rows.columns_of(conn, table) for table in TABLES}
    finally:
        conn.close()
    return {**found, RECORD: dict(run_record.COLUMNS)}
