"""Where the files shipped with the program stand: in the wheel, or beside the package in a checkout."""

from __future__ import annotations

from pathlib import Path

from loadbook.ground.errors import NotFoundError

_PACKAGE = Path(__file__).resolve().parent.parent


def shipped(name: str) -> Path:
    """The folder `schema`, or one below `fixtures`, as shipped with the program.

    A wheel holds it under loadbook/_data (an editable checkout has no such folder: then the
    project's own top level serves). Raises NotFoundError where neither has it.
    """
    for root in (_PACKAGE / "_data", _PACKAGE.parent):
        found = root / name
        if found.is_dir():
            return found
    raise NotFoundError(f"the program's own folder {name!r} is missing", mend="Install loadbook again")
