"""sqlite-utils without what it loads only to take frames, which it is never given here: 100 ms instead of 400.

Import it inside what needs it all the same: `list` and `show` do not.
"""

from __future__ import annotations

import sys

_UNUSED = [name for name in ("numpy", "pandas") if name not in sys.modules]
sys.modules.update(dict.fromkeys(_UNUSED))  # type: ignore[arg-type]  # None there: as if it were not installed
try:
    from sqlite_utils import Database, Migrations
finally:
    for name in _UNUSED:
        del sys.modules[name]

__all__ = ["Database", "Migrations"]
