"""The `watch` commands: the shop's standing intake, and the folders that it looks at."""

from __future__ import annotations

import functools
import signal
import sqlite3
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from loadbook.core import times, writing
from loadbook.core.errors import EXIT_COULD_NOT, EXIT_SOMETHING_WRONG, LoadbookError, UsageError
from loadbook.core.phrases import many
from loadbook.render.tables import plain
from loadbook.store.book import BookFolder

from .common import LoadbookCommand, LoadbookGroup, book_option, emit, format_option, to_stderr

if TYPE_CHECKING:
    from loadbook.readers.recorder.places import Form, Place
    from loadbook.readers.recorder.standing import Notes, Standing

F = TypeVar("F", bound=Callable[..., Any])
EVERY_S, LEAST_S, MOST_S = 30.0, 1.0, 3600.0
SHARE = 0.025  # of a processor's time: a look that takes long is followed by a longer rest
LATE_S = 900.0  # without a look for so long, `status` asks whether anything still watches


class _Watch(LoadbookGroup):
    """`loadbook watch`, with folders or without, is `loadbook watch run`."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if not args or (args[0] not in self.commands and args[0] not in ("-h", "--help")):
            args = ["run", *args]
        return super().parse_args(ctx, args)


@click.group(cls=_Watch)
def watch() -> None:
    """The standing intake: `loadbook watch` looks at the book's folders for as long as it runs.

    A recorder's file is taken in as the trace of its run, and the run judged, once the file stood unchanged for the
    quiet time and its last line is whole. Its run is the one of that name, or the only one of the furnace in whose time
    it lies. What is not settled so waits: `loadbook watch status` lists it, each with the command that settles it.
    Nothing in a watched folder is moved or changed. It can be stopped or killed at any moment and goes on where it
    was; several may watch at once, since a file is known by its content.

    \b
    loadbook watch add /srv/recorder2 --furnace F2 --layout "furnace 2" --names "*.csv"
    loadbook watch                      (the same as: loadbook watch run)
    loadbook watch status

    As a service on Linux, in /etc/systemd/system/loadbook-watch.service:

    \b
    [Unit]
    Description=loadbook takes recorders' files in
    [Service]
    User=loadbook
    Environment=LOADBOOK_BOOK=/srv/shop-book
    ExecStart=/usr/local/bin/loadbook watch
    Restart=always
    [Install]
    WantedBy=multi-user.target

    On Windows every five minutes, by the task scheduler (one line):

    \b
    schtasks /Create /TN "loadbook watch" /SC MINUTE /MO 5
      /TR "cmd /c loadbook watch run --once --book C:\\shop-book >> C:\\shop-book-watch.log 2>&1"
    """


def place_options(function: F) -> F:
    """Adds what describes a place and passes it as `given`: what was said, by the names of `Place`'s fields."""

    @functools.wraps(function)
    def wrapper(*args: Any, **kwargs: Any) -> Any:
        names = [name for name in kwargs if name.startswith("place_")]
        given = {name.removeprefix("place_"): kwargs.pop(name) for name in names}
        given = {name: value for name, value in given.items() if value not in (None, (), False)}
        if "pages" in given:
            from loadbook.readers.recorder.places import absolute

            given["pages"] = absolute(given["pages"])
        return function(*args, given=given, **kwargs)

    wrapped: Any = wrapper
    for option in reversed(_PLACE):
        wrapped = option(wrapped)
    return wrapped  # type: ignore[no-any-return]


_PLACE = (
    click.option("--layout", "place_layout", metavar="NAME", help="The kept layout that the files are read by."),
    click.option("--furnace", "place_furnace", metavar="FURNACE",
                 help="A file's run: the only one of this furnace in whose time the file lies."),
    click.option("--run-from-name", "place_run_from_name", metavar="REGEX",
                 help="A file's run: group 1 of the expression in the file's name."),
    click.option("--names", "place_names", metavar="PATTERN", multiple=True,
                 help="Only files of such a name: '*.csv'."),
    click.option("--except", "place_leave_out", metavar="PATTERN", multiple=True,
                 help="Files of such a name are not the recorder's: leave them out."),
    click.option("--pages", "place_pages", metavar="FOLDER", type=click.Path(path_type=Path),
                 help="Write the page of each run that is taken in there."),
    click.option("--quiet-minutes", "place_quiet_min", type=float,
                 help="Minutes for which a file must have stood unchanged (10; longer than the recorder's interval)."),
    click.option("--open-end", "place_open_end", is_flag=True,
                 help="This recorder writes no line end after the last line."),
    click.option("--like", "place_like", metavar="FILE", multiple=True, type=click.Path(path_type=Path),
                 help="The layout is for files of this one's form too (else of the first file's)."),
)  # fmt: skip


@watch.command("run", cls=LoadbookCommand)
@click.argument("folders", nargs=-1, metavar="[FOLDER]...", type=click.Path(path_type=Path))
@click.option(
    "--every", default=EVERY_S, show_default=True, help="Seconds between looks (longer where one takes long)."
)
@click.option("--once", is_flag=True, help="One look at everything, then end: for a scheduled task.")
@place_options
@book_option
def run_(folders: tuple[Path, ...], every: float, once: bool, given: dict[str, Any], book: BookFolder) -> None:
    """Watch the book's folders, or those named, until Ctrl-C.

    A folder that the book does not know needs the options that `watch add` has. One line an event, with its time.

    With --once: exit 0, 1 when a file waits or a folder cannot be read, 3 when a clause of a cycle is broken. A file
    that --once sees for the first time, and that was written in the last two hours, goes in with a later look.

    Example: loadbook watch run --once
    """
    from loadbook.readers.recorder.places import places
    from loadbook.readers.recorder.standing import Standing

    if not LEAST_S <= every <= MOST_S:
        raise UsageError(f"--every {every:g}: from {LEAST_S:g} to {MOST_S:g} seconds")
    if given and not folders:
        raise UsageError("these options describe a folder", remedy="Name it, or: loadbook watch add FOLDER ...")
    named = [_place(book, folder, given) for folder in folders] or None
    standing = Standing(book, named, functools.partial(_log, book), functools.partial(_page, book))
    if named is None and not places(book):
        raise _nothing_watched()
    if once:
        standing.look()
        raise SystemExit(EXIT_COULD_NOT if standing.waiting else EXIT_SOMETHING_WRONG if standing.broken else 0)
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # how a service is stopped
    try:
        _stand(standing, every)
    except KeyboardInterrupt:
        _log(book, "stopped")


def _stand(standing: Standing, every: float) -> None:
    """Looks for ever; what the book's disk or another program does not allow now is tried again."""
    said = ""
    while True:
        began, why = time.process_time(), ""
        try:
            standing.look()
        except (LoadbookError, sqlite3.Error, OSError) as exc:
            why = exc.what if isinstance(exc, LoadbookError) else str(exc)
            standing.book.close()
        if why and why != said:
            _log(None, f"the book cannot be used just now ({why}): it is tried again")
        elif said and not why:
            standing.say("the book can be used again")
        said = why
        time.sleep(max(every, (time.process_time() - began) / SHARE))


def _nothing_watched() -> UsageError:
    return UsageError(
        "no folder is watched", remedy="Add one: loadbook watch add FOLDER --furnace FURNACE --layout NAME"
    )


def _log(book: BookFolder | None, text: str) -> None:
    local = times.now().astimezone(book.zone if book else None)
    click.echo(f"{local:%Y-%m-%d %H:%M:%S}  {plain(text)}")


def _page(book: BookFolder, place: Place, run: str) -> str:
    """Writes a run's page, marked INTERNAL where it must not leave the shop."""
    from loadbook.queries.run_record import private, run_sheet
    from loadbook.render.pages.links import file_name
    from loadbook.render.pages.run import run_page
    from loadbook.render.pages.shell import write_page

    sheet = run_sheet(book, run)
    source = run_page(sheet, book, book.units, times.stored(times.now()), internal=bool(private(sheet)))
    path = Path(place.pages) / file_name("run", run)
    writing.make_folder(path.parent)
    write_page(path, source, force=True)
    return str(path)


def _place(book: BookFolder, folder: Path, given: dict[str, Any]) -> Place:
    """The place of a folder as the book has it, with what was said on the command line. Raises LoadbookError."""
    from loadbook.readers.recorder import places

    kept = places.find(book, folder)
    said = {name: value for name, value in given.items() if name != "like"}
    if kept is None and not folder.is_dir():
        raise UsageError("there is no such folder", where=str(folder), remedy="Check its name")
    place = replace(kept or places.Place(places.absolute(folder)), **said)
    if "furnace" in said and "run_from_name" not in said:
        place = replace(place, run_from_name="")
    if "run_from_name" in said and "furnace" not in said:
        place = replace(place, furnace="")
    if kept is not None and place.layout != kept.layout:
        place = replace(place, forms=())
    if kept is not None:
        place = replace(place, leave_out=tuple(dict.fromkeys((*kept.leave_out, *place.leave_out))))
    places.check(book, place)
    return replace(place, forms=_forms(book, place, given.get("like", ())))


def _forms(book: BookFolder, place: Place, like: tuple[Path, ...]) -> tuple[Form, ...]:
    """The forms of a place: those that it has, and of the files named. Raises what reading them raises."""
    from loadbook.readers.recorder.bulk import form_like
    from loadbook.readers.recorder.kept_layouts import kept_layout

    if like and not place.layout:
        raise UsageError("--like says which files a layout is for", remedy="Give the --layout too")
    layout = kept_layout(book.read(), place.layout) if like else None
    found = [form_like(book, file, layout) for file in like if layout is not None]
    return tuple(dict.fromkeys((*place.forms, *found)))


@watch.command("add", cls=LoadbookCommand)
@click.argument("folder", type=click.Path(path_type=Path))
@place_options
@book_option
def add(folder: Path, given: dict[str, Any], book: BookFolder) -> None:
    """Have a folder watched, or change how: which files, by which layout, of which furnace. It is kept in the book.

    Of a folder that is watched already only what is said changes; names to leave out and forms are added. A watcher
    that runs follows at its next look.

    Example: loadbook watch add . --furnace F1 --names "*.csv" --pages ../run-pages
    """
    from itertools import islice

    from loadbook.readers.recorder import places
    from loadbook.readers.recorder.bulk import files_in, first_form
    from loadbook.readers.recorder.kept_layouts import kept_layout
    from loadbook.readers.recorder.standing import FEW

    place = _place(book, folder, given)
    example = ""
    if place.layout and not place.forms:
        files = (f for f in files_in([place.path]) if place.holds(f.name))
        found = first_form(book, islice(files, FEW), kept_layout(book.read(), place.layout))
        if found is not None:
            place, example = replace(place, forms=(found[0],)), f", as in {found[1]}"
    places.put(book, place)
    click.echo(f"{plain(place.folder)} is watched")
    for word, value in (("files", _names(place)), ("run", place.finds), ("layout", place.layout),
                        ("pages", place.pages)):  # fmt: skip
        if value:
            click.echo(f"  {word:<8}{plain(value)}")
    for form in place.forms:
        click.echo(f"  {'form':<8}{plain(form.words())}{plain(example)}")
    if place.layout and not place.forms:
        click.echo("  form    that of the first file that comes")
    to_stderr("Start it with: loadbook watch")


def _names(place: Place) -> str:
    names = ", ".join(place.names) or "all"
    return f"{names}, but {', '.join(place.leave_out)}" if place.leave_out else names


@watch.command("list", cls=LoadbookCommand)
@format_option
@book_option
def list_(fmt: str | None, book: BookFolder) -> None:
    """List the folders that are watched.

    Example: loadbook watch list
    """
    from loadbook.readers.recorder.places import places

    rows = [[p.folder, _names(p), p.finds, p.layout, p.quiet_min, p.pages] for p in places(book)]
    if not rows and fmt in (None, "table"):
        to_stderr(str(_nothing_watched()))
        return
    emit(("folder", "files", "run", "layout", "quiet_min", "pages"), rows, fmt)


@watch.command("drop", cls=LoadbookCommand)
@click.argument("folder", type=click.Path(path_type=Path))
@book_option
def drop(folder: Path, book: BookFolder) -> None:
    """Watch a folder no more. What was taken in stays.

    Example: loadbook watch drop .
    """
    from loadbook.readers.recorder import places
    from loadbook.readers.recorder.standing import forget

    places.drop(book, folder)
    forget(book, places.absolute(folder))
    click.echo(f"{plain(places.absolute(folder))} is watched no more")


_COLUMNS = ("folder", "file", "since", "why", "settle")


@watch.command("status", cls=LoadbookCommand)
@format_option
@book_option
def status(fmt: str | None, book: BookFolder) -> None:
    """List the files that wait for a person, why, and the command that settles each; and what is still written.

    As the last look saw the folders and as the book stands now. A file that is not the recorder's is left out by:
    loadbook watch add FOLDER --except NAME

    Example: loadbook watch status
    """
    from loadbook.readers.recorder import places
    from loadbook.readers.recorder.standing import notes_of

    found = notes_of(book)
    if fmt not in (None, "table"):
        waiting = [(n.folder, name, e) for n in found for name, e in n.waiting.items()]
        emit(_COLUMNS, [[f, n, _moment(e.waits), e.why, "\n".join(e.settle)] for f, n, e in waiting], fmt)
        return
    known = [p.folder for p in places.places(book)]
    for folder in known:
        if folder not in {n.folder for n in found}:
            click.echo(f"{plain(folder)}: not looked at yet. Start it with: loadbook watch")
    for notes in found:
        if notes.folder in known or notes.waiting:
            _print_status(notes, book)
    if not known and not found:
        to_stderr(str(_nothing_watched()))


def _moment(seconds: float) -> str:
    return times.stored(datetime.fromtimestamp(int(seconds), UTC))


def _print_status(notes: Notes, book: BookFolder) -> None:
    held = sum(bool(e.run) for e in notes.files.values())
    looked = times.shown(_moment(notes.looked), book.zone)
    click.echo(f"{plain(notes.folder)}: looked at {looked}; {held} of {many(len(notes.files), 'file')} in the book")
    if notes.away:
        click.echo(f"  not to be read since {times.shown(_moment(notes.away), book.zone)}")
    elif time.time() - notes.looked > LATE_S:
        click.echo("  no look since: does the watcher still run? Start it with: loadbook watch")
    for name, entry in notes.growing.items():
        size = f"{entry.size / 1e6:.1f} MB" if entry.size > 1e5 else f"{entry.size / 1e3:.1f} kB"
        click.echo(f"  not taken yet: {plain(name)}, {size}, unchanged since {_clock(entry.since, book)}")
    for name, entry in notes.waiting.items():
        click.echo(f"  waits: {plain(name)}, since {times.shown(_moment(entry.waits), book.zone)}")
        click.echo(f"    {plain(entry.why)}")
        for line in entry.settle or ("(it is tried again at each look)",):
            click.echo(f"      {plain(line)}")


def _clock(seconds: float, book: BookFolder) -> str:
    return datetime.fromtimestamp(seconds, book.zone).strftime("%H:%M:%S")
