"""Whether a published file is what its manifest says: in a folder by what is known of it, in a store by its bytes."""

from __future__ import annotations

import hashlib

from loadbook.core.errors import DamageError
from loadbook.store.checked_files import CheckedFiles

from .manifest import RECOMPUTED, Entry
from .target import Store

CHECKED = "checked"  # the folder of lists that say which files were read whole and found good
GONE = "the target has no such file"


def checked_in(store: Store) -> CheckedFiles:
    """What is known of the files of a target that is a folder, a list for each of its folders."""
    folder = store.folder
    assert folder is not None
    return CheckedFiles(lambda name: folder / CHECKED / f"{name.rpartition('/')[0]}.json", folder)


def why_not(store: Store, checked: CheckedFiles, entry: Entry) -> str | None:
    """Why a file in a folder is not what its manifest says (None: it is)."""
    try:
        return checked.why_not(store.path_of(entry.path), entry.path, entry.bytes, entry.sha256)
    except (FileNotFoundError, NotADirectoryError):
        return GONE
    except DamageError as exc:
        return exc.what
    except OSError as exc:
        return str(exc.strerror or exc)


def why_not_bytes(data: bytes | None, entry: Entry) -> str | None:
    """The same of a file's bytes; None where there is no file."""
    if data is None:
        return GONE
    return None if hashlib.sha256(data).hexdigest() == entry.sha256 else "a published file is not what was published"


def remedy(entry: Entry) -> str:
    """What to do about a damaged file."""
    if entry.path.startswith(f"{RECOMPUTED}/"):
        return "Compute it again: loadbook group recompute TARGET --again"
    return "Publish again from the plant's book; or ask without such files: --without-damaged"
