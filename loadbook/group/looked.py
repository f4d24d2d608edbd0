"""What a publication finds of the files that its plant published before: which are there, and as they were written.

A folder's files are looked at one by one, and read whole unless they are known (store/checked_files.py). How the folder
then looked is kept, a digest of its names, sizes and stamps with the lists that name its files: where it looks the same
the next time, nobody touched it, and none of its files and lists is opened. An object store has no stamps: there a file
counts as it was written where its size is, as reading all would cost as much as writing it; `again` writes all anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping

from loadbook.core.errors import LoadbookError
from loadbook.store.disk import may_keep

from .checked import CHECKED, checked_in
from .manifest import Manifest, Part
from .target import Stamped, Store


def by_folder(base: str, there: Mapping[str, Stamped]) -> dict[str, dict[str, Stamped]]:
    """The files of each folder of a plant ('' for those in none)."""
    found: dict[str, dict[str, Stamped]] = defaultdict(dict)
    for name, stamped in there.items():
        folder, inside, _ = name.removeprefix(f"{base}/").partition("/")
        found[folder if inside else ""][name] = stamped
    return found


class Looked:
    """The files below a plant's base as a publication began with them.

    there  name -> size and stamp
    """

    def __init__(self, store: Store, base: str, again: bool = False) -> None:
        self.store, self.base, self._again = store, base, again
        self.there = store.listed(base)
        self._began = by_folder(base, self.there)
        self._checked = checked_in(store) if store.local else None
        self._good: dict[str, str] = {}  # found good, or written: with which stamp
        self._was_as_left: set[str] = set()
        self._name = f"{CHECKED}/{base}/folders.json"
        self._left = self._read()

    def names(self, folder: str) -> Collection[str]:
        """The files that a folder had."""
        return self._began.get(folder, {})

    def as_left(self, folder: str, parts: Iterable[Part]) -> bool:
        """Does a folder look as when a publication with these lists had found all its files good?"""
        found = not self._again and self.same(folder, parts, self._began.get(folder, {}))
        if found:
            self._was_as_left.add(folder)
        return found

    def same(self, folder: str, parts: Iterable[Part], there: Mapping[str, Stamped]) -> bool:
        """The same of the folder as it looks now."""
        return folder in self._left and self._left[folder] == _digest(parts, there)

    def has(self, path: str, size: int, sha256: str) -> bool:
        """Is a file there as it was written?"""
        if path in self._good:
            return True
        found = self.there.get(path)
        if found is None or found[0] != size or self._again:
            return False
        if self._checked is not None:
            try:
                if self._checked.why_not(self.store.path_of(path), path, size, sha256) is not None:
                    return False
            except OSError:
                return False
        self._good[path] = found[1]
        return True

    def wrote(self, path: str, sha256: str) -> None:
        """A file was written whole."""
        self._good[path] = self.store.stamp(path)
        if self._checked is not None:
            self._checked.wrote(self.store.path_of(path), path, sha256)

    def keep(self, manifest: Manifest, there: Mapping[str, Stamped]) -> None:
        """Leave what was found for the next publication, as far as the target lets us.

        manifest  of this publication, its new lists read;  there  the plant's files as they are at its end
        """
        if self._checked is not None:
            self._checked.keep()
        if self.store.folder is not None and not may_keep(self.store.folder):
            return
        left = {}
        for folder, found in by_folder(self.base, there).items():
            parts = [p for p in manifest.parts.values() if p.folder == folder]
            if parts and (
                self.same(folder, parts, found)
                or self._all_good(folder, [e.path for e in manifest.entries([p.name for p in parts])], found)
            ):
                left[folder] = _digest(parts, found)
        if left != self._left:
            with contextlib.suppress(LoadbookError):  # it can do without
                self.store.put(self._name, json.dumps({"folders": left}, sort_keys=True, indent=0).encode())

    def _all_good(self, folder: str, paths: Iterable[str], there: Mapping[str, Stamped]) -> bool:
        began = self._began.get(folder, {}) if folder in self._was_as_left else {}
        return all(p in there and (self._good.get(p) == there[p][1] or began.get(p) == there[p]) for p in paths)

    def _read(self) -> dict[str, str]:
        with contextlib.suppress(LoadbookError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
            found = json.loads(self.store.read(self._name))["folders"]
            return {str(folder): str(digest) for folder, digest in found.items()}
        return {}


def _digest(parts: Iterable[Part], there: Mapping[str, Stamped]) -> str:
    told = [sorted((p.path, p.sha256) for p in parts), sorted((n, *s) for n, s in there.items())]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:32]
