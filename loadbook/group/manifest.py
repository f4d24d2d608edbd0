"""Manifests and pointers: how a publication becomes visible in one step.

    plants/FOLDER/2025-03/reading-DIGEST.parquet    files under names made of their contents
    plants/FOLDER/manifest-DIGEST.json              names every file of one publication, with digests
    plants/FOLDER/current-000017.json               the pointer, written last: which manifest counts

The same below recomputed/ for what a group computed. The pointer of the highest number counts. A publication reads it
first, and ends by making the next one, which succeeds only where nobody made that number before: of two at the same
time one comes first, and the other is told so. No lock is needed, so none is left by a killed command.

Nothing that anyone may still need is removed. A pointer names the manifests before it and until when each counted;
their files stay for KEEP after that, for readers who began with them. It also names the files that no such manifest
names, with the moment from which: they are removed KEEP later by a publication that came first. In the first half
of that time a publication may take such a file as its own, and must have ended within that half; after it, never.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import time
import unicodedata
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from loadbook.core import times
from loadbook.core.errors import BusyError, DamageError, NotFoundError, UsageError

from .target import Store, checked_name

FORMAT = 1
PLANTS = "plants"
RECOMPUTED = "recomputed"
TRACE = "trace_file"  # the table of the traces themselves
KEEP = timedelta(hours=48)  # for readers, and for publications under way; clocks may differ by some hours
REMOVING = 600.0  # seconds after which a publication stops removing
LONGEST_NAME = 80


def plant_name(text: str) -> str:
    """A plant's name as it is kept: normalised, without spaces at its ends.

    Raises UsageError for an empty or very long one, control characters, or a '/', which parts plant and record.
    """
    name = unicodedata.normalize("NFC", text).strip()
    wrong = [c for c in name if unicodedata.category(c).startswith(("C", "Z")) and c != " "]
    if not name or len(name) > LONGEST_NAME or wrong or "/" in name:
        raise UsageError(
            f"{text!r} cannot be a plant's name",
            remedy=f"Take 1 to {LONGEST_NAME} characters without '/', line breaks and control characters",
        )
    return name


def folder_of(name: str) -> str:
    """A folder's name that is safe on every disk and store: what is plain in the plant's name, and a digest of all.

    >>> folder_of("Werk Süd/../x"), folder_of("CON") != folder_of("con")
    ('werk-sud-x-6dce2f17', True)
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    words = "-".join(re.findall(r"[a-z0-9]+", plain))[:40].strip("-") or "plant"
    return f"{words}-{hashlib.sha256(name.encode()).hexdigest()[:8]}"


@dataclass(frozen=True)
class Entry:
    """One published file. content is a digest of the rows, sha256 of the bytes; month None where not kept by month."""

    table: str
    month: str | None
    path: str
    sha256: str
    bytes: int
    rows: int
    content: str
    run: str | None = None  # of a trace

    def as_dict(self) -> dict[str, Any]:
        return {k: v for k, v in self.__dict__.items() if v is not None}


@dataclass
class Manifest:
    """What one publication holds: `head` says what it is, `entries` which files."""

    head: dict[str, Any]
    entries: list[Entry] = field(default_factory=list)

    def text(self) -> bytes:
        """Canonical JSON: the same publication, the same bytes."""
        ordered = sorted(self.entries, key=lambda e: (e.table, e.month or "", e.path))
        whole = {"format": FORMAT, **self.head, "files": [e.as_dict() for e in ordered]}
        return json.dumps(whole, ensure_ascii=False, sort_keys=True, indent=0, separators=(",", ":")).encode() + b"\n"

    def of(self, table: str) -> list[Entry]:
        """The files of a table."""
        return [e for e in self.entries if e.table == table]


@dataclass(frozen=True)
class Current:
    """A pointer as read, with the manifest that it names.

    number    of the pointer
    before    manifests that counted before -> until when
    unnamed   files that no manifest named when it was written -> from when on
    read_at   when it was read
    """

    number: int
    path: str
    sha256: str
    manifest: Manifest
    before: dict[str, datetime]
    unnamed: dict[str, datetime]
    read_at: datetime

    def going(self, name: str) -> bool:
        """May a file of this name be removed before a publication that began with this pointer has ended?"""
        since = self.unnamed.get(name)
        return since is not None and since < self.read_at - KEEP / 2

    def free_name(self, name: str) -> str:
        """The name for a new file; another one where a file of that name may be removed while it is needed."""
        return other_name(name, self.number) if self.going(name) else name


def other_name(name: str, number: int) -> str:
    """A file's name after a pointer of that number."""
    stem, dot, ending = name.rpartition(".")
    return f"{stem}-{number:06}{dot}{ending}"


def pointer_of(base: str, number: int) -> str:
    """The name of a pointer."""
    return f"{base}/current-{number:06}.json"


def newest(store: Store, base: str) -> int:
    """The number of the pointer that counts; 0 where there is none."""
    found = (re.fullmatch(r"current-(\d{6,12})\.json", name) for name in store.names(base))
    return max((int(f[1]) for f in found if f), default=0)


def read_current(store: Store, base: str) -> Current | None:
    """What counts now below `base` ('plants/FOLDER'); None where nothing was published. Raises DamageError."""
    read_at = times.now()
    number = newest(store, base)
    if not number:
        return None
    at = pointer_of(base, number)
    pointer = _json(store, at, store.read(at))
    try:
        name, digest = checked_name(str(pointer["manifest"])), str(pointer["sha256"])
        before = {checked_name(n): _moment(until) for n, until in pointer["before"].items()}
        unnamed = {str(n): _moment(since) for n, since in pointer["unnamed"].items()}
    except (KeyError, TypeError, AttributeError, ValueError) as exc:
        raise _damaged(store, at) from exc
    return Current(number, name, digest, read_manifest(store, name, digest), before, unnamed, read_at)


def read_manifest(store: Store, name: str, digest: str | None = None) -> Manifest:
    """A manifest, after its digest was compared. Raises DamageError, NotFoundError."""
    data = store.read(name)
    if digest is not None and hashlib.sha256(data).hexdigest() != digest:
        raise _damaged(store, name)
    told = _json(store, name, data)
    if told.get("format") != FORMAT:
        raise DamageError(
            f"this target was written by a newer program (format {told.get('format')})",
            where=store.address, remedy="Install a newer loadbook",
        )  # fmt: skip
    try:
        entries = [
            Entry(
                str(e["table"]), e.get("month"), checked_name(str(e["path"])), str(e["sha256"]), int(e["bytes"]),
                int(e["rows"]), str(e["content"]), e.get("run"),
            )
            for e in told["files"]
        ]  # fmt: skip
    except (KeyError, TypeError, ValueError) as exc:
        raise _damaged(store, name) from exc
    return Manifest({k: v for k, v in told.items() if k not in ("format", "files")}, entries)


@dataclass(frozen=True)
class Switched:
    """What a publication did: whether anything changed for readers, and how many unnamed files were removed."""

    manifest: str
    sha256: str
    changed: bool
    removed: int


def switch(store: Store, base: str, manifest: Manifest, before: Current | None) -> Switched:
    """Make a publication count: its manifest first, the pointer last; then remove what nobody needs any more. Every
    file of it must be in the store already.

    before  what counted when the publication began
    Raises  BusyError where another publication came first: nothing of this one counts then
    """
    data = manifest.text()
    digest = hashlib.sha256(data).hexdigest()
    changed = before is None or before.sha256 != digest
    name = before.free_name(f"{base}/manifest-{digest[:24]}.json") if before else f"{base}/manifest-{digest[:24]}.json"
    name = name if changed or before is None else before.path
    there = store.sizes(base)
    if changed:
        store.put(name, data)
        there[name] = len(data)
    now = times.now()
    named = {name, *(e.path for e in manifest.entries)}
    # what is computed again names a plant's own files as well, of months without a trace
    roots = {"/".join(e.path.split("/")[:2]) for e in manifest.entries}
    elsewhere = {n: size for root in sorted(roots - {base}) for n, size in store.sizes(root).items()}
    _still_there(store, manifest, {**elsewhere, **there})
    if before is not None and now > before.read_at + KEEP / 2:
        raise _late(base, "it took too long, and files that it took over may be removed by now")
    kept = {n: until for n, until in (before.before if before else {}).items() if until > now - KEEP and n != name}
    if before is not None and changed:
        kept[before.path] = now
    named |= {*kept, *_files_of(store, kept)}
    found = {n for n in there if n not in named and n != pointer_of(base, before.number if before else 0)}
    known = before.unnamed if before else {}
    fresh = sorted(found - set(known))
    if changed or before is None or fresh:
        # one that is gone stays listed for a while: whoever removes it may be slow
        left = {n: since for n, since in known.items() if n in found or since > now - 2 * KEEP}
        left |= dict.fromkeys(fresh, now)
        if before is not None:
            left[pointer_of(base, before.number)] = now
        text = {
            "manifest": name, "sha256": digest, "before": _stored(kept),
            "unnamed": _stored({n: since for n, since in left.items() if n not in named}),
        }  # fmt: skip
        number = before.number + 1 if before else 1
        if not store.create(pointer_of(base, number), json.dumps(text, sort_keys=True, indent=1).encode() + b"\n"):
            raise _late(base)
        if newest(store, base) != number:
            raise _late(base)
    elif newest(store, base) != before.number:
        raise _late(base)
    return Switched(name, digest, changed, _remove(store, [n for n in found & set(known) if known[n] < now - KEEP]))


def _still_there(store: Store, manifest: Manifest, there: Mapping[str, int]) -> None:
    """Raises BusyError where a file of a publication is not in the store (any more)."""
    gone = [e.path for e in manifest.entries if there.get(e.path) != e.bytes]
    if gone:
        raise BusyError(
            "a file of this publication was removed meanwhile, so nothing of it counts",
            where=f"{store.address}: {gone[0]}", remedy="Repeat the command",
        )  # fmt: skip


def _files_of(store: Store, manifests: Collection[str]) -> set[str]:
    """The files that manifests name; a manifest that is gone, or cannot be read, names none."""
    found: set[str] = set()
    for name in manifests:
        with contextlib.suppress(NotFoundError, DamageError):
            found |= {e.path for e in read_manifest(store, name).entries}
    return found


def _remove(store: Store, names: Collection[str]) -> int:
    """Remove files; those not reached in time are left for the next publication. Returns how many went."""
    began, gone = time.monotonic(), 0
    for name in sorted(names):
        if time.monotonic() > began + REMOVING:
            break
        store.remove(name)
        gone += 1
    return gone


def _moment(text: str) -> datetime:
    """Raises ValueError, TypeError for anything but a moment with its zone."""
    found = datetime.fromisoformat(text)
    if found.tzinfo is None:
        raise ValueError(text)
    return found


def _stored(moments: dict[str, datetime]) -> dict[str, str]:
    return {name: times.stored(at) for name, at in moments.items()}


def _late(base: str, why: str = "another one of the same plant came first") -> BusyError:
    return BusyError(
        f"nothing of this publication counts: {why}", where=base,
        remedy="Repeat the command: what was written already is taken over",
    )  # fmt: skip


def _json(store: Store, name: str, data: bytes) -> dict[str, Any]:
    try:
        told = json.loads(data)
    except ValueError as exc:
        raise _damaged(store, name) from exc
    if not isinstance(told, dict):
        raise _damaged(store, name)
    return told


def _damaged(store: Store, name: str) -> DamageError:
    return DamageError(
        "this is not what was published", where=f"{store.address}: {name}", remedy="Publish again from the plant's book"
    )
