"""Work on many small values without the collector looking through them again and again."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def uncollected() -> Iterator[None]:
    """Within it nothing looks for rings of garbage; what no ring holds is freed at once as always.

    For code that makes millions of values and no rings: the collector's looking takes a tenth to a fifth of its time.
    """
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()
