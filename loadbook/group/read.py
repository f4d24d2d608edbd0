"""A group as it stands in a target: its plants, each at one publication, and the files behind every table."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from loadbook.core import times, writing
from loadbook.core.errors import DamageError, NotFoundError, UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.store import migrations
from loadbook.store.session_samples import LeftOut

from . import rows, run_record
from .checked import GONE, checked_in, remedy, why_not, why_not_bytes
from .manifest import PLANTS, RECOMPUTED, TRACE, Current, Entry, OldFormError, current_at, damaged, read_current
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

    def of(self, table: str, months: Collection[str] | None = None) -> list[Entry]:
        """The files of a table, all of them or those that hold some months ('2026-03')."""
        source = self.recomputed if self.recomputed is not None and table in COMPUTED else self.current
        return source.manifest.of(table, months)


@dataclass(frozen=True)
class SoundFile:
    """A file that is what was published. path: in a folder its path, else the copy's, else its name in the store"""

    plant: str
    entry: Entry
    path: str


@dataclass
class Sound:
    """The files of some tables, plant by plant and period by period, and those left out as damaged."""

    files: dict[str, list[SoundFile]]
    left_out: list[LeftOut] = field(default_factory=list)

    def paths(self, table: str) -> list[str]:
        return [f.path for f in self.files[table]]

    def names(self, table: str) -> list[str]:
        """The names in the store."""
        return [f.entry.path for f in self.files[table]]

    def traces(self, *, packed: bool) -> list[SoundFile]:
        """The files of traces, one each or (packed) many."""
        return [f for f in self.files[TRACE] if bool(f.entry.packed) == packed]


class Group:
    """The plants of a target, read once: whatever is published meanwhile, what was read stays readable."""

    def __init__(self, store: Store, plants: Sequence[Plant], without: Sequence[str] = ()) -> None:
        self.store, self.plants, self.without = store, tuple(plants), tuple(without)

    def sound(
        self, tables: Sequence[str], *, without_damaged: bool = False, keep: bool = False, copies: Path | None = None
    ) -> Sound:
        """The files of some tables, each found to be what its manifest says: an engine looks at no digest.

        Files in a folder are read whole once, and remembered (store/checked_files.py); those of an object store are
        read whole each time.

        without_damaged  damaged files are left out and named; else they are an error
        keep             what was found is left in the target's folder for the next question
        copies           a folder for copies of what lies in no folder, but for the traces: an engine opens a file
                         several times and waits for each; an object store gives hundreds at once
        Raises DamageError, NotFoundError, LoadbookError
        """
        listed = [(t, p, e) for t in tables for p in self.plants for e in p.of(t)]
        seen = self._seen_in_folder(listed, keep) if self.store.local else self._seen_in_store(listed, copies)
        found = Sound({table: [] for table in tables})
        for (table, plant, entry), (why, path) in zip(listed, seen, strict=True):
            if why is None:
                found.files[table].append(SoundFile(plant.name, entry, path))
                continue
            if not without_damaged:
                kind = NotFoundError if why == GONE else DamageError
                raise kind(why, where=f"{self.store.address}: {entry.path}", remedy=remedy(entry))
            named = [f"{plant.name}/{run}" for run in entry.runs] or [""]
            found.left_out += [LeftOut(run, entry.path, why) for run in named]
        return found

    def _seen_in_folder(
        self, listed: Sequence[tuple[str, Plant, Entry]], keep: bool
    ) -> Iterator[tuple[str | None, str]]:
        checked = checked_in(self.store)
        for _, _, entry in listed:
            yield why_not(self.store, checked, entry), self.store.url(entry.path)
        if keep:
            checked.keep()

    def _seen_in_store(
        self, listed: Sequence[tuple[str, Plant, Entry]], copies: Path | None
    ) -> Iterator[tuple[str | None, str]]:
        bodies = self.store.read_many([entry.path for *_, entry in listed])
        for number, ((table, _, entry), (_, data)) in enumerate(zip(listed, bodies, strict=True)):
            why = why_not_bytes(data, entry)
            if why is not None or copies is None or table == TRACE or data is None:
                yield why, entry.path
                continue
            copy = copies / f"{number}.parquet"
            with writing.create(copy) as file:
                file.write(data)
            yield None, str(copy)

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
        if "plant" not in current.manifest.head:
            raise damaged(store, current.path)
        recomputed = _recomputed(store, folder)
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


def plant_at(store: Store, folder: str, number: int, sha256: str) -> Plant:
    """A plant at the publication that somebody else read. Raises DamageError, NotFoundError where it is gone"""
    current = current_at(store, f"{PLANTS}/{folder}", number, times.now())
    if current.sha256 != sha256:
        raise damaged(store, current.path)
    return Plant(str(current.manifest.head["plant"]), folder, current, None, False)


def _recomputed(store: Store, folder: str) -> Current | None:
    """What the group computed of a plant; what an earlier version did is of a publication before."""
    base = f"{RECOMPUTED}/{folder}"
    try:
        return read_current(store, base)
    except OldFormError:
        return read_current(store, base, anew=True)


def _listed(plants: Sequence[Plant]) -> str:
    return ", ".join(p.name for p in plants)


@cache
def group_columns() -> dict[str, dict[str, str]]:
    """Table -> its published columns with their types for an engine, as this program writes them."""
    found = {table: rows.columns_of(migrations.empty(), table) for table in TABLES}
    return {**found, RECORD: dict(run_record.COLUMNS)}
