"""Manifests and pointers: how a publication becomes visible in one step.

    plants/FOLDER/2025-03/reading-DIGEST.parquet    files under names made of their contents
    plants/FOLDER/manifest-DIGEST.json              names every file of one publication, with digests
    plants/FOLDER/current.json                      the pointer, replaced last: which manifest counts

The same below recomputed/ for what a group computed. A pointer also names the manifest before it, whose files stay for
readers who began with it, and the files that no manifest named when it was written: these are removed by a later
publication that still finds them unnamed.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from dataclasses import dataclass, field
from typing import Any

from loadbook.core.errors import DamageError, NotFoundError, UsageError

from .target import Store, checked_name

FORMAT = 1
PLANTS = "plants"
RECOMPUTED = "recomputed"
POINTER = "current.json"
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
    """A pointer as read, with the manifest that it names."""

    path: str
    sha256: str
    manifest: Manifest
    previous: str | None
    unnamed: frozenset[str]


def read_current(store: Store, base: str) -> Current | None:
    """What counts now below `base` ('plants/FOLDER'); None where nothing was published. Raises DamageError."""
    try:
        pointer = _json(store, f"{base}/{POINTER}", store.read(f"{base}/{POINTER}"))
    except NotFoundError:
        return None
    try:
        name, digest = checked_name(str(pointer["manifest"])), str(pointer["sha256"])
        previous = pointer["previous"] and checked_name(str(pointer["previous"]))
        unnamed = frozenset(str(n) for n in pointer["unnamed"])
    except (KeyError, TypeError) as exc:
        raise _damaged(store, f"{base}/{POINTER}") from exc
    return Current(name, digest, read_manifest(store, name, digest), previous, unnamed)


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
    """Make a publication count: its manifest first, the pointer last; then remove what two publications in a row
    found unnamed. Every file of it must be in the store already."""
    data = manifest.text()
    digest = hashlib.sha256(data).hexdigest()
    name = f"{base}/manifest-{digest[:24]}.json"
    changed = before is None or before.sha256 != digest
    if changed:
        store.put(name, data)
    previous = before.previous if before and not changed else before.path if before else None
    named = {name, f"{base}/{POINTER}", *(e.path for e in manifest.entries)}
    if previous is not None:
        try:
            named |= {previous, *(e.path for e in read_manifest(store, previous).entries)}
        except NotFoundError:
            previous = None
    unnamed = set(store.sizes(base)) - named
    gone = {n for n in unnamed if before and n in before.unnamed}
    left = sorted(unnamed - gone)
    pointer = {"manifest": name, "sha256": digest, "previous": previous, "unnamed": left}
    text = json.dumps(pointer, sort_keys=True, indent=1).encode() + b"\n"
    if changed or before is None or set(left) != before.unnamed or previous != before.previous:
        store.put(f"{base}/{POINTER}", text)
    for n in sorted(gone):
        store.remove(n)
    return Switched(name, digest, changed, len(gone))


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
