"""Checking a whole group: every plant's pointer, manifest, lists and files, read whole."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field

from loadbook.core.errors import LoadbookError, NotFoundError
from loadbook.core.progress import Progress

from .checked import GONE, remedy
from .manifest import PLANTS, RECOMPUTED, Current, Entry, read_current
from .target import Store


@dataclass
class GroupVerified:
    """What a check found.

    plants, files  that are as they were published;  unnamed  files that no publication names any more
    wrong          damage, with what to do
    """

    plants: int = 0
    files: int = 0
    unnamed: int = 0
    wrong: list[str] = field(default_factory=list)


def verify_group(target: str, progress: Progress | None = None) -> GroupVerified:
    """Read every file of every plant, and of what was recomputed. Raises NotFoundError where nothing was published."""
    store, found = Store(target), GroupVerified()
    entries: list[Entry] = []
    for kind in (PLANTS, RECOMPUTED):
        for folder in store.folders(kind):
            base = f"{kind}/{folder}"
            try:
                current = read_current(store, base)
            except LoadbookError as exc:
                found.wrong.append(f"{base}: {exc}")
                continue
            if current is None:
                continue
            found.plants += kind == PLANTS
            for name in sorted(current.manifest.parts):
                try:
                    entries += current.manifest.entries([name])
                except LoadbookError as exc:
                    found.wrong.append(f"{base}: {exc}")
            found.unnamed += _unnamed(store, base, current)
    if not found.plants and not found.wrong:
        raise NotFoundError("no plant is published here", where=target)
    whole = list({e.path: e for e in entries}.values())  # a recomputing names files of the plant's own too
    for number, entry in enumerate(whole, 1):
        try:
            good = hashlib.sha256(store.read(entry.path)).hexdigest() == entry.sha256
            why = None if good else "a published file is not what was published"
        except NotFoundError:
            why = GONE
        except LoadbookError as exc:
            why = exc.what
        if why is None:
            found.files += 1
        else:
            found.wrong.append(f"{entry.path}: {why}. {remedy(entry)}")
        if progress is not None:
            progress("published files", number, len(whole))
    return found


def _unnamed(store: Store, base: str, current: Current) -> int:
    """How many files wait to be removed."""
    return sum(name in current.unnamed for name in store.listed(base))
