"""The chain's last link, kept outside the book: one line after each intake or amendment in a file on another drive.

Who can write the book can also cut its chain's end off, or recompute all of it. Not so in a file that he cannot
change, nor, where the lines are signed, without the key: a private Ed25519 key (RFC 8032) in a file outside the book.

    loadbook links of book 5f0c9a... signed by 3b6a27...
    17 9d5e... 2026-11-29T08:00:00Z 6d1f...

The first line says whose links these are. Nothing is ever written into a file that does not begin with this book's
own: a stranger's book may name any file. A line that could not be written is said, and the next one stands for it.
"""

from __future__ import annotations

import re
import sqlite3
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loadbook.core import times, writing
from loadbook.core.errors import LoadbookError, UsageError
from loadbook.core.outside import LARGEST_FILE, read_file

FILE, KEY, BOOK = "links_file", "links_key", "links_book"  # settings
_FIRST = re.compile(r"loadbook links of book ([0-9a-f]{32})(?: signed by ([0-9a-f]{64}))?")
_LINE = re.compile(r"(\d{1,15}) ([0-9a-f]{64}) (\S{1,40})(?: ([0-9a-f]{128}))?")
EXTRA = "pip install 'loadbook[signed]'"


@dataclass
class Kept:
    """A file of links as read. book: its number;  key: the public key that signs it, None where nothing does

    lines  (link, digest, moment, signature or None), in the order of the file
    """

    book: str
    key: str | None
    lines: list[tuple[int, str, str, str | None]] = field(default_factory=list)


def read(file: Path) -> Kept:
    """Raises NotFoundError, LoadbookError for a file that is not one of links."""
    try:
        first, *rest = read_file(file, LARGEST_FILE, links=False).decode("ascii").splitlines()
        head, lines = _FIRST.fullmatch(first), [_LINE.fullmatch(line) for line in rest]
    except ValueError:
        head, lines = None, []
    if head is None or None in lines:
        raise LoadbookError(
            "this is not a file of a book's links, or a line of it was changed", where=str(file),
            remedy="Name the one that loadbook keep-links made",
        )  # fmt: skip
    return Kept(head[1], head[2], [(int(m[1]), m[2], m[3], m[4]) for m in lines if m])


def make(file: Path, book: str, key: Path | None) -> None:
    """Start a file of links. Raises UsageError where there is one of that name, LoadbookError."""
    signed = f" signed by {public(key)}" if key is not None else ""
    with writing.disk_errors("the file", file):
        writing.put(file, f"loadbook links of book {book}{signed}\n".encode())


def follow(conn: sqlite3.Connection) -> str | None:
    """Add the last link to the file that the book's settings name; why that was not possible, None where it was."""
    said = {r[0]: r[1] for r in conn.execute("SELECT name, value FROM setting WHERE name LIKE 'links_%'")}
    if not said.get(FILE):
        return None
    file = Path(said[FILE])
    try:
        kept = read(file)
        if kept.book != said.get(BOOK):
            return f"{file} holds the links of another book: nothing was written into it"
        link, digest = conn.execute("SELECT link, digest FROM chain ORDER BY link DESC LIMIT 1").fetchone()
        if kept.lines:
            at, before, *_ = kept.lines[-1]
            if at >= link and before == digest:
                return None
            if conn.execute("SELECT digest FROM chain WHERE link = ?", (at,)).fetchone()[0:1] != (before,):
                return f"{file} holds a link that is not in this book's chain. Run: loadbook verify"
        line = f"{link} {digest} {times.stored(times.now())}"
        if kept.key is not None:
            line += f" {_sign(Path(said.get(KEY, '')), kept, line)}"
        writing.append(file, f"{line}\n".encode())
    except TypeError:  # no row
        return f"{file} holds a link that is not in this book's chain. Run: loadbook verify"
    except (LoadbookError, OSError, ValueError) as exc:
        return f"the last link was not written into {file} ({_what(exc)}). The next one written stands for it too"
    return None


def against(conn: sqlite3.Connection, file: Path, key: str | None = None) -> tuple[list[str], list[str]]:
    """(what is wrong, what is worth saying) of a chain beside a file of its links.

    key  the public key that must have signed it (64 hex digits); None: the one that the file names, where it does
    """
    try:
        kept = read(file)
    except LoadbookError as exc:
        return [f"the chain's end cannot be compared: {exc}"], []
    chain = dict(map(tuple, conn.execute("SELECT link, digest FROM chain")))
    wrong: list[str] = []
    if key is not None and kept.key != key:
        wrong.append(f"{file} is not signed by the key {key}: it says {kept.key or 'none'}")
    for link, digest, at, signature in kept.lines:
        if kept.key is not None and not _signed(kept, f"{link} {digest} {at}", signature):
            wrong.append(f"{file}: the line of link {link} is not signed by the key {kept.key}")
        if link not in chain:
            wrong.append(f"the chain's end was cut off: {file} has link {link} of {at}, and the chain ends before")
        elif chain[link] != digest:
            wrong.append(
                f"link {link} is not the one in {file}: something before it was changed and the chain recomputed"
            )
        if len(wrong) > 20:
            break
    last = max((link for link, *_ in kept.lines), default=0)
    behind = sum(link > last for link in chain)
    said = [f"{behind} links of the chain are not covered by {file} yet: the next intake does it"] if behind else []
    if kept.key is not None and key is None:
        said.append(f"signed by {kept.key}: compare it with the key that you noted")
    return wrong, said


# -- keys ----------------------------------------------------------------------------------------


def make_key(file: Path) -> str:
    """Write a new private key; give back the public one (64 hex digits). Raises UsageError, LoadbookError."""
    ed25519, forms = _library()
    private = ed25519.Ed25519PrivateKey.generate()
    text = private.private_bytes(forms.Encoding.PEM, forms.PrivateFormat.PKCS8, forms.NoEncryption())
    with writing.disk_errors("the key", file):
        writing.put(file, text, private=True)
    return str(private.public_key().public_bytes_raw().hex())


def public(file: Path) -> str:
    """The public key of a private one (64 hex digits). Raises UsageError, LoadbookError, NotFoundError."""
    return str(_private(file).public_key().public_bytes_raw().hex())


def _private(file: Path) -> Any:
    ed25519, forms = _library()
    try:
        found = forms.load_pem_private_key(read_file(file, 10_000), None)
    except (ValueError, TypeError) as exc:
        found = exc
    if not isinstance(found, ed25519.Ed25519PrivateKey):
        raise UsageError(
            "this is not an Ed25519 key in PEM without a password", where=str(file),
            remedy="Make one with: loadbook keep-links FILE --new-key KEY",
        )  # fmt: skip
    return found


def _sign(key: Path, kept: Kept, line: str) -> str:
    private = _private(key)
    if private.public_key().public_bytes_raw().hex() != kept.key:
        raise LoadbookError(f"{key} is not the key that signs it")
    return str(private.sign(_text(kept, line)).hex())


def _signed(kept: Kept, line: str, signature: str | None) -> bool:
    from importlib import import_module

    ed25519, _ = _library()
    invalid = import_module("cryptography.exceptions").InvalidSignature
    try:
        ed25519.Ed25519PublicKey.from_public_bytes(bytes.fromhex(kept.key or "")).verify(
            bytes.fromhex(signature or ""), _text(kept, line)
        )
    except (invalid, ValueError):
        return False
    return True


def _text(kept: Kept, line: str) -> bytes:
    """What is signed: a line, and whose."""
    return f"loadbook link of book {kept.book}: {line}".encode()


def _library() -> tuple[Any, Any]:
    try:
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError as exc:
        raise UsageError("signing needs a package that is not installed: cryptography", remedy=f"Run: {EXTRA}") from exc
    return ed25519, serialization


def _what(exc: Exception) -> str:
    return exc.what if isinstance(exc, LoadbookError) else str(getattr(exc, "strerror", None) or exc)
