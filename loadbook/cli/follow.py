"""The `follow` command: a recorder's growing file against the cycle, while the furnace runs."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from loadbook.core import times, writing
from loadbook.core.errors import EXIT_SOMETHING_WRONG, LoadbookError, UsageError
from loadbook.core.typed import quote
from loadbook.store.book import BookFolder

from .common import LoadbookCommand, book_option, to_stderr
from .traces import kept_of, print_taken, reading_options

if TYPE_CHECKING:
    from loadbook.queries.following import Follower, Look, Seen
    from loadbook.readers.recorder.options import Options

LEAST_S, MOST_S = 1.0, 600.0
PAGE_S = 60.0  # a page on which nothing changed is written again after so long: it says when the last look was
SHARE = 0.02  # of a processor's time: a look that takes long is followed by a longer rest
QUIET_MIN = 30.0  # without a new sample after the last segment began, the run is over


@click.command(cls=LoadbookCommand)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--run", required=True, metavar="RUN", help="The run that the file is the trace of.")
@click.option("--every", default=5.0, show_default=True, help="Seconds between looks (longer where one takes long).")
@click.option("--page", "page_file", metavar="FILE", type=click.Path(path_type=Path),
              help="An HTML page, rewritten in place, that loads itself again.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="One JSON line per change instead of the view.")
@click.option("--any-hold", is_flag=True, help="The thermocouple check at every hold, not only at the low one.")
@click.option("--once", is_flag=True, help="Look once, say what is seen, take nothing in.")
@click.option("--no-take", is_flag=True, help="At the end leave the file alone: take it in later with trace take.")
@click.option("--quiet-minutes", default=QUIET_MIN, show_default=True,
              help="The run is over when nothing came for so long in its last segment.")  # fmt: skip
@reading_options
@book_option
def follow(
    file: Path, run: str, every: float, page_file: Path | None, as_json: bool, any_hold: bool, once: bool,
    no_take: bool, quiet_minutes: float, layout: str | None, options: Options, book: BookFolder,
) -> None:  # fmt: skip
    """Follow a recorder's file while it grows: where the run stands, each clause with its margin, what it heads for.

    It advises: it is not an alarm or interlock, and what it says is as old as its last look. Ctrl-C, or the run's end,
    takes the file in as the run's trace, as `trace take` would. Exit 3 when a clause of the cycle is broken then.

    Example: loadbook follow chart.csv --run R24-003 --layout "furnace 2" --page now.html
    """
    from loadbook.queries.following import follower

    if not LEAST_S <= every <= MOST_S:
        raise UsageError(f"--every {every:g}: from {LEAST_S:g} to {MOST_S:g} seconds")
    follows = follower(book, file, run, options, kept_of(book, layout), any_hold=any_hold)
    if page_file is not None:
        writing.check(page_file, over=True)
    with _shown(book, as_json) as show:
        try:
            _look_on(follows, every, quiet_minutes, once, lambda seen, look: _say(seen, look, show, page_file, book))
        except KeyboardInterrupt:
            to_stderr("stopped by Ctrl-C")
    if not once:
        _end(follows, book, no_take, page_file)


def _look_on(
    follows: Follower, every: float, quiet_min: float, once: bool, say: Callable[[Seen, Look], None]
) -> None:  # fmt: skip
    """Looks until the run is over. Raises KeyboardInterrupt on Ctrl-C."""
    from loadbook.queries.following import Look

    grew_at, samples, first = time.monotonic(), 0, True
    rest = every
    while True:
        began, at = time.process_time(), times.now()
        changed = follows.look()
        # the first look loads the program and the furnace's past once, and says nothing of the next ones
        if not first:
            rest = max(every, (time.process_time() - began) / SHARE)
        say(follows.seen, Look(at, None if once else rest, changed or first))
        if not first:
            rest = max(every, (time.process_time() - began) / SHARE)
        if follows.seen.samples != samples:
            grew_at, samples = time.monotonic(), follows.seen.samples
        first = False
        quiet = time.monotonic() - grew_at > 60.0 * quiet_min
        if once or follows.seen.over or (quiet and _last_segment(follows)):
            return
        time.sleep(rest)


def _last_segment(follows: Follower) -> bool:
    cycle, place = follows.record.cycle, follows.seen.place
    return bool(place and (cycle is None or (cycle.segments and place.segment == cycle.segments[-1].number)))


def _say(seen: Seen, look: Look, show: Callable[[Seen, Look], None], page_file: Path | None, book: BookFolder) -> None:
    show(seen, look)
    _write_page(seen, look, page_file, book)


def _write_page(seen: Seen, look: Look | None, page_file: Path | None, book: BookFolder) -> None:
    if page_file is None:
        return
    try:
        old = look is None or look.changed or time.time() - page_file.stat().st_mtime > PAGE_S
    except OSError:
        old = True
    if not old:
        return
    from loadbook.render.pages.following import following_page

    try:
        writing.put(page_file, following_page(seen, book, book.units, look).encode(), over=True, lasting=False)
    except OSError as exc:  # a share that is away, or a reader that holds the file, must not end the following
        to_stderr(f"the page could not be written: {exc.strerror or exc}")


@contextmanager
def _shown(book: BookFolder, as_json: bool) -> Iterator[Callable[[Seen, Look], None]]:
    """Gives what shows a state: JSON lines, a live view on a terminal, else one line per change."""

    def line(seen: Seen, look: Look) -> None:
        if look.changed:
            click.echo(json.dumps(seen.as_dict(), ensure_ascii=False, allow_nan=False))

    if as_json:
        yield line
        return
    from rich.console import Console

    from loadbook.render.following import fitted, view

    if not sys.stdout.isatty():
        console = Console(file=sys.stdout, width=160, highlight=False)
        yield lambda seen, look: console.print(view(seen, book, book.units, look)) if look.changed else None
        return
    from rich.live import Live

    console = Console()
    with Live(console=console, auto_refresh=False, transient=False) as live:
        yield lambda seen, look: live.update(fitted(seen, book, book.units, console, look), refresh=True)


def _end(follows: Follower, book: BookFolder, no_take: bool, page_file: Path | None) -> None:
    """Takes the file in as `trace take` does. Raises what it raises."""
    from loadbook.readers.recorder.take import take_trace

    run = follows.record.run
    if no_take or not follows.file.data:
        command = f"loadbook trace take {quote(str(follows.file.path))} --run {quote(run)}"
        to_stderr(f"Nothing was taken in. When the file is whole: {command}")
        return
    with writing.scratch() as folder:
        path = follows.file.put_whole(Path(folder))
        if follows.file.rotated():
            to_stderr(
                f"the recorder's file started again {follows.file.parts - 1} times: all its parts are taken as one"
            )
        try:
            taken = take_trace(book, path, run, follows.options, follows.layout)
        except LoadbookError as exc:
            if follows.file.rotated():  # what is no longer in the file must not go with us
                saved = follows.file.path.with_name(f"{follows.file.path.stem}-whole{follows.file.path.suffix}")
                writing.put(saved, path.read_bytes(), over=True)
                to_stderr(f"all that was read is kept as {saved}")
            raise exc
    print_taken(taken, book)
    _write_page(follows.seen, None, page_file, book)
    if taken.verdict == "broken":
        raise SystemExit(EXIT_SOMETHING_WRONG)
