"""The movement of a group, worked out plant by plant and kept beside what was published.

No row of the view `movement` rests on two plants. So it is made of one plant at a time, in the memory that one plant
needs, and lies as a file in the target's folder `checked` for the next question, which reads the columns that it asks
for. A file's name stands for the publication and for the words and the engine that made it of that. Where a plant has
published anew, the file before stays for questions that began with it, and those before that go. By the rule of
checked_files.py a file is believed where it is the very one that was written here. Where nothing can be kept (an
object store, a folder that one may only read) it is made for each question.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from importlib.metadata import version
from pathlib import Path

from loadbook.core import writing
from loadbook.core.errors import LoadbookError
from loadbook.store import disk, sql_files
from loadbook.store.checked_files import CheckedFiles

from .checked import CHECKED
from .duck import DuckEngine
from .read import Group, Plant, group_columns
from .target import Store
from .views import MOVEMENT, MOVEMENT_ROWS

_KEPT = f"{CHECKED}/{MOVEMENT}"  # the folder of the files, and the name of the list that tells which are ours


def kept(group: Group) -> list[str] | None:
    """The paths of the files of all plants, in their order; None where one has none yet."""
    if group.store.folder is None:
        return None
    known = _known(group.store.folder)
    names = [_name(plant) for plant in group.plants]
    paths = [group.store.folder / name for name in names]
    there = all(known.is_as_written(path, name) for path, name in zip(paths, names, strict=True))
    return [str(path) for path in paths] if there else None


def made(group: Group, scratch: Path) -> list[str]:
    """The same; what is not there is made, and kept where it can be, else it lies in the folder `scratch`."""
    known = _known(group.store.folder) if group.store.folder is not None else None
    return [
        str(_one(group.store, plant, known, scratch / f"{MOVEMENT}-{number}.parquet"))
        for number, plant in enumerate(group.plants)
    ]


def of_plant(store: Store, plant: Plant, scratch: Path, without_damaged: bool) -> Path:
    """The same of one plant, on whatever machine sees the target."""
    known = _known(store.folder) if store.folder is not None and not without_damaged else None
    return _one(store, plant, known, scratch / f"{MOVEMENT}.parquet", without_damaged)


def _one(store: Store, plant: Plant, known: CheckedFiles | None, at: Path, without_damaged: bool = False) -> Path:
    """known: of the files that are kept (None: nothing is kept);  at: where it lies if it cannot be kept"""
    name, target = _name(plant), store.folder
    if known is not None and target is not None and known.is_as_written(target / name, name):
        return target / name
    with DuckEngine(Group(store, [plant]), {MOVEMENT}, without_damaged=without_damaged) as engine:
        data = engine.parquet(f"SELECT * FROM {MOVEMENT_ROWS}")
    if known is not None and target is not None and _keep(target, name, data, plant):
        known.wrote(target / name, name, hashlib.sha256(data).hexdigest())
        known.keep()  # one by one: who ends it half-way goes on from there
        return target / name
    with writing.create(at) as file:
        file.write(data)
    return at


def leave(group: Group, scratch: Path) -> None:
    """Make what is not there where it can be kept, for a question whose own process writes nothing."""
    if group.store.folder is not None and disk.may_keep(group.store.folder):
        made(group, scratch)


def _known(target: Path) -> CheckedFiles:
    return CheckedFiles(lambda _: target / f"{_KEPT}.json", target)


def _keep(target: Path, name: str, data: bytes, plant: Plant) -> bool:
    """Whether a file could be left for the next question, in place of the plant's older ones."""
    if not disk.may_keep(target):
        return False
    path = target / name
    with contextlib.suppress(OSError, LoadbookError):
        writing.make_folder(path.parent, below=target)
        writing.put(path, data, over=True, lasting=False)
        others = [p for p in path.parent.glob(f"{plant.folder}-*.parquet") if p.name != path.name]
        for old in sorted(others, key=lambda p: p.lstat().st_mtime_ns)[:-1]:
            old.unlink()
        return True
    return False


def _name(plant: Plant) -> str:
    """The name of a plant's file: of its publication, and of what makes movement of that."""
    _, makers = sql_files.closure({MOVEMENT})
    texts = [f.text for f in (*sql_files.functions(DuckEngine.name).values(), *makers)]
    of = json.dumps([plant.current.sha256, texts, group_columns(), version("duckdb")])
    return f"{_KEPT}/{plant.folder}-{hashlib.sha256(of.encode()).hexdigest()[:24]}.parquet"
