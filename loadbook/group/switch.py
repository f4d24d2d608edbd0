"""Making a publication count, and removing what nobody needs any more (manifest.py says by which rules)."""

from __future__ import annotations

import contextlib
import hashlib
import json
import time
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from loadbook.core import times
from loadbook.core.errors import BusyError, LoadbookError

from .looked import Looked, by_folder
from .manifest import KEEP, Current, Files, Manifest, Part, newest, pointer_of
from .target import Stamped, Store

REMOVING = 600.0  # seconds after which a publication stops removing


@dataclass(frozen=True)
class Switched:
    """What a publication did: whether anything changed for readers, and how many unnamed files were removed."""

    manifest: str
    sha256: str
    changed: bool
    removed: int


def switch(
    store: Store, base: str, head: Mapping[str, Any], lists: Sequence[Part | Files], before: Current | None,
    looked: Looked | None = None,
) -> Switched:  # fmt: skip
    """Make a publication count: its lists first, its manifest, and the pointer last; then remove what nobody needs any
    more. Every file that it names must be in the store already.

    lists   the lists of the publication before that stay as they are, and new ones
    before  what counted when the publication began
    looked  what the publication found of its folders; None: it looked at none
    Raises  BusyError where another publication came first: nothing of this one counts then
    """
    manifest = _with_lists(store, base, head, lists, before)
    data = manifest.text()
    digest = hashlib.sha256(data).hexdigest()
    changed = before is None or before.sha256 != digest
    name = f"{base}/manifest-{digest[:24]}.json"
    if before is not None:
        name = before.free_name(name) if changed else before.path
    if changed:
        store.put(name, data)
    now = times.now()
    there = store.listed(base)
    found = _unnamed(store, base, manifest, there, before, looked) - {name}
    if before is not None:
        found -= {pointer_of(base, before.number), before.unnamed_at or ""}
        if now > before.read_at + KEEP / 2:
            raise _late(base, "it took too long, and files that it took over may be removed by now")
    known = before.unnamed if before else {}
    left = _left(manifest, before) if changed else set()
    fresh = found - set(known) - left
    if changed or fresh:
        # one that is gone stays listed for a while: whoever removes it may be slow
        waiting = {n: s for n, s in known.items() if n in found or (n not in there and s > now - 2 * KEEP)}
        waiting |= dict.fromkeys(left, now + KEEP) | dict.fromkeys(fresh, now)
        if before is not None:
            waiting[pointer_of(base, before.number)] = now
            if before.unnamed_at is not None:
                waiting[before.unnamed_at] = now
        number = before.number + 1 if before else 1
        pointer = {"manifest": name, "sha256": digest, "unnamed": _put_waiting(store, base, waiting)}
        if not store.create(pointer_of(base, number), json.dumps(pointer, sort_keys=True, indent=1).encode() + b"\n"):
            raise _late(base)
        if newest(store, base) != number:
            raise _late(base)
    elif before is not None and newest(store, base) != before.number:
        raise _late(base)
    if looked is not None:
        looked.keep(manifest, there)
    removed = _remove(store, [n for n in found & set(known) if known[n] < now - KEEP])
    return Switched(name, digest, changed, removed)


def _with_lists(
    store: Store, base: str, head: Mapping[str, Any], lists: Sequence[Part | Files], before: Current | None
) -> Manifest:
    """The manifest, with its new lists written."""
    manifest = Manifest(store, head, {p.name: p for p in lists if isinstance(p, Part)})
    for new in lists:
        if isinstance(new, Part):
            continue
        old = before.manifest.parts.get(new.name) if before else None
        if before is not None and old is not None and old.sha256 == new.sha256:
            part, there = old, _holds(store, old)
        else:
            path = f"{base}/{new.name}-{new.sha256[:24]}.json"
            part, there = new.part(before.free_name(path) if before else path), False
        if not there:
            store.put(part.path, new.text)
        manifest.hold(part, new.entries)
    return manifest


def _holds(store: Store, part: Part) -> bool:
    try:
        return hashlib.sha256(store.read(part.path)).hexdigest() == part.sha256
    except LoadbookError:
        return False


def _unnamed(
    store: Store, base: str, manifest: Manifest, there: Mapping[str, Stamped], before: Current | None,
    looked: Looked | None,
) -> set[str]:  # fmt: skip
    """The files below the base that the manifest's lists do not name. A folder that looks as it was left is not looked
    at: the pointer before says which of its files are unnamed. Raises BusyError where a file of the publication is not
    in the store (any more)."""
    folders = by_folder(base, there)
    elsewhere: dict[str, Mapping[str, Stamped]] = {}
    found: set[str] = set()
    for folder in sorted({*folders, *(p.folder for p in manifest.parts.values())}):
        names = folders.get(folder, {})
        parts = [p for p in manifest.parts.values() if p.folder == folder]
        if before is not None and before.path and parts and looked is not None and looked.same(folder, parts, names):
            found |= names.keys() & before.unnamed.keys()
            continue
        named = {p.path: p.bytes for p in parts}
        named |= {e.path: e.bytes for e in manifest.entries([p.name for p in parts])}
        for path, size in named.items():
            listed: Mapping[str, Stamped] = names
            if not path.startswith(f"{base}/"):  # what is computed again names a plant's own files as well
                root = "/".join(path.split("/")[:2])
                listed = elsewhere[root] = elsewhere.get(root) or store.listed(root)
            if path not in listed or listed[path][0] != size:
                raise BusyError(
                    "a file of this publication was removed or replaced meanwhile, so nothing of it counts",
                    where=f"{store.address}: {path}",
                    remedy="Repeat the command; if it says so again, remove that file first",
                )  # fmt: skip
        found |= names.keys() - named.keys()
    return found


def _left(manifest: Manifest, before: Current | None) -> set[str]:
    """What the publication before named and this one does not."""
    if before is None or not before.path:
        return set()
    left = {before.path}
    for name, old in before.manifest.parts.items():
        new = manifest.parts.get(name)
        if new == old:
            continue
        left.add(old.path)
        with contextlib.suppress(LoadbookError):  # a list that cannot be read any more names nothing
            left |= {e.path for e in before.manifest.entries([name])}
        if new is not None:
            left -= {new.path, *(e.path for e in manifest.entries([name]))}
    base = before.path.rpartition("/")[0]
    return {path for path in left if path.startswith(f"{base}/")}


def _put_waiting(store: Store, base: str, waiting: Mapping[str, datetime]) -> str | None:
    """Write down which files are unnamed since when; the list's name, None where there is none."""
    if not waiting:
        return None
    text = {name: times.stored(at) for name, at in waiting.items()}
    data = json.dumps(text, sort_keys=True, indent=0).encode() + b"\n"
    path = f"{base}/unnamed-{hashlib.sha256(data).hexdigest()[:24]}.json"
    store.put(path, data)
    return path


def _remove(store: Store, names: Collection[str]) -> int:
    """Remove files; those not reached in time are left for the next publication. Returns how many went."""
    began, gone = time.monotonic(), 0
    for name in sorted(names):
        if time.monotonic() > began + REMOVING:
            break
        store.remove(name)
        gone += 1
    return gone


def _late(base: str, why: str = "another one of the same plant came first") -> BusyError:
    return BusyError(
        f"nothing of this publication counts: {why}", where=base,
        remedy="Repeat the command: what was written already is taken over",
    )  # fmt: skip
