"""Progress of what takes long: one line on a terminal's stderr, gone when it is done; elsewhere nothing."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from loadbook.core.progress import Progress


@contextmanager
def progress() -> Iterator[Progress]:
    """Gives what is called with a text, how much of it is done, and of how many; both 0 where nobody knows."""
    if not sys.stderr.isatty():
        yield lambda text, done, whole: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Line

    columns = (TextColumn("{task.description} {task.fields[count]}", markup=False), BarColumn(), TimeRemainingColumn())
    with Line(*columns, console=Console(stderr=True), transient=True) as line:
        task = line.add_task("", total=None, count="")

        def show(text: str, done: int, whole: int) -> None:
            count = f"{done:,} of {whole:,}" if whole else ""
            line.update(task, description=text, completed=done, total=whole or None, count=count)

        yield show
