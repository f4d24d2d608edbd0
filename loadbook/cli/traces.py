"""Commands about recorders' files: trace look, trace take, trace layout save / list / show."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from loadbook.core.errors import EXIT_COULD_NOT, EXIT_SOMETHING_WRONG, NotFoundError, UsageError
from loadbook.core.phrases import few, many
from loadbook.core.typed import quote
from loadbook.core.units import unit_key
from loadbook.render.tables import plain, write_words
from loadbook.store.book import BookFolder

from .common import LoadbookCommand, LoadbookGroup, book_option, emit, files_argument, format_option, to_stderr
from .progress import progress

if TYPE_CHECKING:
    from loadbook.readers.recorder.bulk import Bulk
    from loadbook.readers.recorder.channels import ChannelSpec
    from loadbook.readers.recorder.kept_layouts import KeptLayout
    from loadbook.readers.recorder.options import Options
    from loadbook.readers.recorder.part import Part
    from loadbook.readers.recorder.read import Read
    from loadbook.readers.recorder.take import TakenTrace

F = TypeVar("F", bound=Callable[..., Any])

_SINGLE = (
    ("encoding", "X", "Encoding of a text file: utf-8, utf-16, latin-1, ..."),
    ("delimiter", "X", "Between cells: , ; | tab, spaces, or 'wide spaces' (two or more)."),
    ("decimal", "X", "Decimal mark: . or ,"),
    ("thousands", "X", "Thousands mark: . , ' blank, or none."),
    ("sheet", "NAME", "Sheet of a workbook."),
    ("heading", "LINE", "Line (a sheet's row) of the heading, or none."),
    ("columns", "LIST", "Read only these columns: 1-6, or 1,3-5."),
    ("shape", "X", "wide (a column per channel) or long (a row per channel and time)."),
    ("date-order", "X", "day-first, month-first or year-first."),
    ("time-kind", "X", "clock, elapsed, 'time of day' or serial."),
    ("time-unit", "X", "Unit of elapsed times: s, min, h, d (days), ms, h:m:s, h:m, m:s."),
    ("epoch", "X", "What times are counted from: days from 1900 or 1904, seconds from 1970."),
    (
        "time-format",
        "FORMAT",
        "How times are written, where nothing else reads them: '%a %d %b %Y %Hh%M' (its year, where they say none).",
    ),
    ("zone", "ZONE", "Zone of the recorder's clock, AREA/CITY or -05:00 (else the book's)."),
    ("unit", "X", "Unit of temperatures that carry none: c, f or k."),
    ("blank-times", "X", "Rows without a time: spread, or skip."),
    ("repeated-times", "X", "Same time, other values: spread (rounded times) or first (duplicates)."),
    (
        "headings",
        "X",
        "A heading that changes within the data: join (columns by name), first (its rows out), keep.",
    ),
    ("minus", "X", "Negative numbers written 1.5- (behind) or (1.5) (brackets)."),
    ("short-rows", "X", "Rows with too few cells: blank (the last cells are), or skip."),
    ("status", "X", "Values that a word or mark beside them calls worth nothing (OVER, 612*): out, or keep."),
    ("fold", "X", "A repeated hour of a clock change: first or second."),
    (
        "start",
        "MOMENT",
        "When the first row was; the date, for clock times without one; 'run', or 'file' (what it says).",
    ),
    ("zero", "MOMENT", "When an elapsed time was 0; or 'run'."),
    ("stretch", "N", "Of a file whose clock begins again: the part 1, 2, ...; days (each the next day), or all."),
)
_SEVERAL = (
    ("time", "COLUMN", "Column that holds the time (two for date and time apart)."),
    ("sentinel", "VALUE", "What the recorder writes for an open circuit; of one channel alone: NAME=VALUE."),
    ("blank", "TEXT", "What the recorder writes for no value."),
    ("reading", "VALUE", "A number that looks like an open circuit and is a reading."),
    ("skip", "TEXT", "Leave out rows that begin with this."),
    ("floor", "NAME=VALUE", "Readings of that channel below VALUE are below its sensor's range."),
    ("scale", "NAME=FACTOR", "Multiply that channel's readings: 0.001 for thousandths of a degree."),
    ("rename", "NAME=NEW", "That channel has the name NEW in the run's other files."),
    ("believe", "NAME", "That channel is right as it stands, odd as it looks."),
    ("channel", "NAME=ROLE", "What a column measures, and its unit: 'TC *=work,f'; ignore leaves it out."),
)
_CHOICES = {
    "shape": ("wide", "long"),
    "date-order": ("day-first", "month-first", "year-first"),
    "time-kind": ("clock", "elapsed", "time of day", "serial"),
    "time-unit": ("s", "min", "h", "d", "ms", "h:m:s", "h:m", "m:s"),
    "epoch": ("1900", "1904", "1970"),
    "unit": ("c", "f", "k"),
    "blank-times": ("spread", "skip"),
    "repeated-times": ("spread", "first"),
    "headings": ("join", "first", "keep"),
    "minus": ("behind", "brackets"),
    "short-rows": ("blank", "skip"),
    "status": ("out", "keep"),
    "fold": ("first", "second"),
    "decimal": (".", ","),
    "thousands": (".", ",", "'", "blank", "none"),
}


def reading_options(function: F) -> F:
    """Adds --layout and every option that answers a question of a recorder's file; passes `layout` and `options`."""
    names = [n.replace("-", "_") for n, _, _ in (*_SINGLE, *_SEVERAL)]

    @functools.wraps(function)
    def wrapper(*args: Any, **kwargs: Any) -> Any:
        given = {n: kwargs.pop(f"read_{n}") for n in names}
        return function(*args, options=_options(given), **kwargs)

    wrapped: Any = wrapper
    for name, meta, text in reversed((*_SINGLE, *_SEVERAL)):
        several = name in {n for n, _, _ in _SEVERAL}
        kind = click.Choice(_CHOICES[name]) if name in _CHOICES else None
        wrapped = click.option(
            f"--{name}", f"read_{name.replace('-', '_')}", metavar=meta if kind is None else None, type=kind, help=text,
            multiple=several,
        )(wrapped)  # fmt: skip
    wrapped = click.option("--layout", metavar="NAME|FILE", help="A kept layout, or a layout's .toml file.")(wrapped)
    return wrapped  # type: ignore[no-any-return]


def _options(given: dict[str, Any]) -> Options:
    from dataclasses import replace

    from loadbook.core.times import zone_of
    from loadbook.readers.recorder.layout import DELIMITERS, Layout, checked
    from loadbook.readers.recorder.options import Options

    given = {k: v if v is not None else "" for k, v in given.items()}
    given["delimiter"] = {"tab": "\t", "\\t": "\t"}.get(given["delimiter"], given["delimiter"])
    if given["delimiter"] and given["delimiter"] not in DELIMITERS:
        raise UsageError(
            f"--delimiter cannot be {given['delimiter']!r}", remedy="One of: , ; | tab spaces 'wide spaces'"
        )
    given["thousands"] = " " if given["thousands"] == "blank" else given["thousands"]
    if given["zone"]:
        zone_of(given["zone"])
    if given["time_format"]:
        _checked_format(given["time_format"])
    if given["encoding"]:
        from loadbook.core.outside import checked_encoding

        checked_encoding(given["encoding"])
    options = Options.named(**given)
    checked(replace(options.on(Layout()), channels=()), where="the options")
    return options


def _checked_format(text: str) -> None:
    """Raises UsageError where a time written by the format would not come back."""
    from datetime import datetime

    moment = datetime(2024, 11, 25, 22, 47, 38)
    try:
        back = datetime.strptime(moment.strftime(text), text)
    except ValueError as exc:
        raise UsageError(f"--time-format {text!r}: {exc}", remedy="Such as '%d %b %Y %H:%M:%S'") from exc
    if (back.hour, back.minute) != (22, 47) and back.date() != moment.date():
        raise UsageError(f"--time-format {text!r} says no time", remedy="Such as '%d %b %Y %H:%M:%S'")


@click.group(cls=LoadbookGroup)
def trace() -> None:
    """Recorders' files: look at one, take it in as the trace of a run, keep the recorder's layout."""


def _book(named: str | None) -> BookFolder | None:
    try:
        return BookFolder.find(named)
    except NotFoundError:
        if named:
            raise
        return None


def kept_of(book: BookFolder | None, layout: str | None) -> KeptLayout | None:
    if not layout:
        return None
    from loadbook.readers.recorder.kept_layouts import find_layout

    return find_layout(book.read() if book else None, layout)


@trace.command("look", cls=LoadbookCommand)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--rows", default=5, show_default=True, help="How many rows to show.")
@click.option("--book", "book_name", metavar="FOLDER", help="The book, for its zone and kept layouts (may be missing).")
@format_option
@reading_options
def look_(file: Path, rows: int, book_name: str | None, fmt: str | None, layout: str | None, options: Options) -> None:
    """Show what a recorder's file would be read as: layout, first rows, channels, oddities, open questions.

    Nothing is written. Exit 3 while a question is open.

    Example: loadbook trace look chart.csv --date-order day-first --unit c --channel "TC *=work"
    """
    from loadbook.readers.recorder.read import look, must_fit
    from loadbook.readers.recorder.source import open_source

    book = _book(book_name)
    kept = kept_of(book, layout)
    source = open_source(file)
    zone = book.zone if book else None
    read = look(source, options, layout=kept.layout if kept else None, zone=zone)
    must_fit(options, [read], source.name)
    if fmt in (None, "table"):
        if not read.layout.zone and book is None and read.reading.started is not None:
            read.notes.append("there is no book here to say the zone: times are shown as if the clock ran on UTC")
        _print_look(read, rows, fmt, _units(read, book))
    else:
        emit(_CHANNEL_COLUMNS, _channel_rows(read), fmt)
    for question in read.questions:
        then = " " if question.text.endswith("?") else ": "
        to_stderr(f"open: {plain(question.text)}{then}{plain(question.option)}")
    if read.questions:
        raise SystemExit(EXIT_SOMETHING_WRONG)


_CHANNEL_COLUMNS = (
    "number", "channel", "role", "quantity", "unit_read", "unit", "lowest", "highest", "missing", "open",
)  # fmt: skip


def _channel_rows(read: Read) -> list[list[Any]]:
    import numpy as np

    from loadbook.analysis.trace.model import MISSING, OPEN

    out = []
    for i, spec in enumerate(read.reading.channels):
        values, flags = read.reading.values[i], read.reading.flags[i]
        known = values[~np.isnan(values)]
        low, high = (float(known.min()), float(known.max())) if len(known) else (None, None)
        unit = _unit_known(spec) or "?"
        out.append(
            [i + 1, spec.name, spec.role or "?", spec.quantity, spec.unit_read or "?", unit, _short(low), _short(high),
             int((flags & MISSING > 0).sum()), int((flags & OPEN > 0).sum())]
        )  # fmt: skip
    return out


def _unit_known(spec: ChannelSpec) -> str:
    """The unit that a channel's values are kept in; '' while nobody has said which one its file writes."""
    return spec.unit if spec.unit_read or spec.quantity == "other" else ""


def _units(read: Read, book: BookFolder | None) -> str:
    """The book's units; where there is no book, those that the file is in."""
    if book is not None:
        return book.units
    return "us" if any(unit_key(spec.unit_read or "") == "f" for spec in read.reading.channels) else "si"


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.6g}")


def _print_look(read: Read, rows: int, fmt: str | None, system: str) -> None:
    from datetime import timedelta

    from loadbook.core.times import zone_of
    from loadbook.core.units import show as show_in
    from loadbook.render.book_units import in_units

    reading, counts = read.reading, read.reading.counts
    click.echo("Layout:")
    for line in read.layout.to_toml().splitlines():
        click.echo(f"  {plain(line)}" if line else "")
    zone = zone_of(reading.zone)

    def at(seconds: float) -> str:
        if reading.started is None:
            return f"{seconds:g} s"
        moment = (reading.started + timedelta(seconds=seconds)).astimezone(zone)
        return moment.isoformat(" ", "milliseconds" if moment.microsecond else "seconds")

    shown = min(rows, counts.samples)
    names = [spec.name for spec in reading.channels]
    kept = [_unit_known(spec) for spec in reading.channels]  # what nobody knows yet is not turned
    first = [
        [at(float(reading.t_s[k])), *(_short(show_in(float(v), u, system)[0])
                                      for v, u in zip(reading.values[:, k], kept, strict=True))]
        for k in range(shown)
    ]  # fmt: skip
    click.echo(f"\nFirst {shown} of {counts.samples} samples:")
    emit(("time", *map(plain, names)), first, fmt)
    click.echo(f"\nChannels ({len(names)}):")
    columns, table = in_units(_CHANNEL_COLUMNS, _channel_rows(read), system)
    low = columns.index("lowest")
    emit(columns, [[*row[:low], *map(_short, row[low : low + 2]), *row[low + 2 :]] for row in table], fmt)
    click.echo("")
    write_words(
        f"From {at(0.0)} to {at(float(reading.t_s[-1]))}, every {counts.interval_s:g} s; {counts.rows} rows read,"
        f" {counts.samples} samples, {counts.missing} values missing, {counts.open} open, {counts.gaps} gaps,"
        f" {counts.duplicates} duplicates, {counts.backwards} backwards"
    )
    for note in read.notes:
        write_words(f"odd: {plain(note)}")


_PART = (
    click.option("--channels", "part_channels", metavar="NAME", multiple=True,
                 help="Take these channels alone: a name or pattern, 'Oven 2*'."),
    click.option("--from", "part_begins", metavar="MOMENT", help="Take what was recorded from then on."),
    click.option("--to", "part_ends", metavar="MOMENT", help="Take what was recorded until then."),
    click.option("--whole", "part_whole", is_flag=True,
                 help="Take all of the files, beyond the run's own times too."),
    click.option("--overlap", "part_overlap", type=click.Choice(("first", "last")),
                 help="Which file counts where two hold the same channel and time."),
    click.option("--apart", "part_apart", is_flag=True,
                 help="Channels of the same name in several files are different ones."),
    click.option("--join", "part_join", is_flag=True, help="Add the files to the trace that the run has."),
)  # fmt: skip


def part_options(function: F) -> F:
    """Adds what says which part of the files is the run's, and how they go together; passes `part`."""

    @functools.wraps(function)
    def wrapper(*args: Any, **kwargs: Any) -> Any:
        from loadbook.readers.recorder.part import Part

        names = [name for name in kwargs if name.startswith("part_")]
        given: dict[str, Any] = {name.removeprefix("part_"): kwargs.pop(name) for name in names}
        given |= {name: given[name] or "" for name in ("begins", "ends", "overlap")}
        return function(*args, part=Part(**given), **kwargs)

    wrapped: Any = wrapper
    for option in reversed(_PART):
        wrapped = option(wrapped)
    return wrapped  # type: ignore[no-any-return]


@trace.command("take", cls=LoadbookCommand)
@files_argument("FILE|FOLDER...")
@click.option("--run", metavar="RUN", help="The run that the files are the trace of.")
@click.option("--run-from-name", metavar="REGEX", help="Find each file's run in its name: the expression's group 1.")
@click.option("--furnace", metavar="FURNACE", help="Find each file's run by its time, among this furnace's runs.")
@click.option("--runs", "table", metavar="TABLE", type=click.Path(path_type=Path),
              help="Find each file's run in a table: columns files (a pattern), and run or furnace.")  # fmt: skip
@click.option("--like", metavar="FILE", multiple=True, type=click.Path(path_type=Path),
              help="The options and layout are for files of this one's form (else of the first file's).")  # fmt: skip
@click.option("--dry-run", is_flag=True, help="Say what would happen; change nothing.")
@part_options
@reading_options
@book_option
def take(
    files: tuple[Path, ...], run: str | None, run_from_name: str | None, furnace: str | None, table: Path | None,
    like: tuple[Path, ...], dry_run: bool, layout: str | None, options: Options, part: Part, book: BookFolder,
) -> None:  # fmt: skip
    """Take recorders' files in as the traces of runs, and judge the runs.

    A question that a file does not settle stops it, with the option that answers; nothing is guessed. The same
    file again adds nothing. Several files with --run are one trace. A folder stands for all files in it: those that
    are settled go in, the others are listed with their questions; the command repeated goes on where it stopped.
    Exit 3 when a clause of a cycle is broken, 1 when a file was not taken.

    Example: loadbook trace take chart.csv --run R24-003 --layout "furnace 2"

    Example: loadbook trace take logger1.csv logger2.csv --run R24-003

    Example: loadbook trace take charts/ --run-from-name "(R[0-9-]+)" --layout "furnace 2" --dry-run
    """
    ways = [w for w in (run, run_from_name, furnace, table) if w]
    if len(ways) != 1:
        raise UsageError(
            "say which run: --run RUN, --run-from-name REGEX, --furnace FURNACE or --runs TABLE", remedy="One of them"
        )
    kept = kept_of(book, layout)
    if run and not dry_run and not like and not any(f.is_dir() for f in files):
        from loadbook.readers.recorder.take import take_trace

        taken = take_trace(book, files, run, options, kept, part)
        print_taken(taken, book)
        raise SystemExit(EXIT_SOMETHING_WRONG if taken.verdict == "broken" else 0)
    from loadbook.readers.recorder.bulk import Finder, take_all

    finder = Finder(run or "", _expression(run_from_name), furnace or "", table)
    with progress() as show:
        done = take_all(book, files, finder, options, kept, part, like=like, dry_run=dry_run, told=show)
    _print_bulk(done, book, dry_run)
    if done.left:
        raise SystemExit(EXIT_COULD_NOT)
    raise SystemExit(EXIT_SOMETHING_WRONG if done.broken else 0)


def _expression(pattern: str | None) -> re.Pattern[str] | None:
    try:
        return re.compile(pattern) if pattern else None
    except re.error as exc:
        raise UsageError(f"--run-from-name is not a regular expression: {exc}", remedy="Such as '(R-[0-9-]+)'") from exc


def _print_bulk(done: Bulk, book: BookFolder, dry_run: bool) -> None:
    from loadbook.readers.recorder.bulk import IN_FULL

    for taken in done.taken if len(done.taken) <= IN_FULL else ():
        if dry_run:
            click.echo(f"{plain(few(taken.files, 3))}: would be the trace of {plain(taken.run)}")
        else:
            print_taken(taken, book)
    verdicts = ", ".join(f"{n} {word}" for word, n in done.verdicts.items() if n)
    click.echo(
        f"{many(done.files, 'file')}: {done.went_in} {'would go' if dry_run else 'went'} in, as the traces of"
        f" {many(done.runs, 'run')}"
        f"{f' ({verdicts})' if verdicts and not dry_run else ''}; {done.already} were in the book already;"
        f" {done.not_taken} not taken"
    )
    if done.broken and len(done.taken) > IN_FULL:
        click.echo(f"Broken: {', '.join(map(plain, done.broken[:50]))}{' ...' if len(done.broken) > 50 else ''}")
    for left in done.left:
        click.echo(f"not taken: {plain(few(left.files, 30))}")
        for line in left.why.splitlines():
            click.echo(f"  {plain(line)}")


def print_taken(taken: TakenTrace, book: BookFolder) -> None:
    from loadbook.core.times import shown

    name = plain(few(taken.files, 3))
    if taken.already or taken.counts is None:
        click.echo(f"{name}: already in the book as the trace of {plain(taken.run)}; nothing added")
        return
    c = taken.counts
    click.echo(
        f"{name}: taken in as the trace of {plain(taken.run)}, {shown(taken.started, book.zone)},"
        f" {taken.seconds / 3600:.2f} h, every {c.interval_s:g} s"
    )
    if taken.withdrawn:
        click.echo(f"  joined to what the run had: trace {taken.withdrawn} is withdrawn for it")
    click.echo(
        f"  {c.rows} rows read, {c.samples} samples of {taken.columns} channels"
        f" ({taken.new_channels} new to the run);"
        f" values: {c.missing} missing, {c.open} open, {taken.out_of_range} out of range;"
        f" rows: {c.repeated} repeated, {c.duplicates} duplicates, {c.backwards} backwards;"
        + (f" {many(c.gaps, 'gap')}, the longest {c.longest_gap_s:g} s" if c.gaps else " no gap")
    )
    for note in taken.notes:
        click.echo(f"  odd: {plain(note)}")
    told = {"kept": "the cycle was kept", "broken": "the cycle was broken", "no cycle": "no cycle to judge by"}
    parts = [told.get(taken.verdict, taken.verdict)]
    for word, names in (("broken", taken.broken), ("cannot be told", taken.untold), ("faults", taken.faults)):
        if names:  # a verdict that is this very word is not said twice
            told_names = f"{word}: {', '.join(map(plain, names))}"
            parts = [told_names] if parts == [word] else [*parts, told_names]
    click.echo(f"  {'; '.join(parts)} ({taken.parameters} parameters). See: loadbook judge {quote(taken.run)}")


@trace.group("layout", cls=LoadbookGroup)
def layout_group() -> None:
    """Layouts kept in the book: how each recorder writes, settled once."""


@layout_group.command("save", cls=LoadbookCommand)
@click.argument("name")
@click.argument("file", type=click.Path(path_type=Path))
@reading_options
@book_option
def save(name: str, file: Path, layout: str | None, options: Options, book: BookFolder) -> None:
    """Keep the layout of a file under a name, with the answers given; a change is a new revision.

    FILE may also be a layout's .toml. What belongs to one file only (--start, --fold) is not kept.

    Example: loadbook trace layout save "furnace 2" chart.csv --date-order day-first --unit c --channel "TC *=work"
    """
    from loadbook.readers.recorder.kept_layouts import find_layout, save_layout
    from loadbook.readers.recorder.options import stop
    from loadbook.readers.recorder.read import lasting, look, must_fit
    from loadbook.readers.recorder.source import open_source

    if file.suffix == ".toml":
        settled = options.on(find_layout(book.read(), str(file)).layout)
    else:
        kept = kept_of(book, layout)
        source = open_source(file)
        read = look(source, options, layout=kept.layout if kept else None, zone=book.zone)
        must_fit(options, [read], source.name)
        lasts = [q for q in read.questions if not q.option.startswith(("--start", "--fold"))]
        stop(lasts, source.name)
        settled = lasting(read, name)
    revision, new = save_layout(book, settled, name)
    click.echo(f"layout {plain(name)}: revision {revision} {'kept' if new else 'is the same; nothing added'}")


@layout_group.command("list", cls=LoadbookCommand)
@format_option
@book_option
def list_(fmt: str | None, book: BookFolder) -> None:
    """List the kept layouts, the newest revision of each.

    Example: loadbook trace layout list
    """
    rows = book.read().execute(
        "SELECT name, max(revision) AS revision, count(*) AS revisions FROM layout GROUP BY name ORDER BY name"
    )
    emit(("name", "revision", "revisions"), [list(r) for r in rows], fmt)


@layout_group.command("show", cls=LoadbookCommand)
@click.argument("name")
@book_option
def show(name: str, book: BookFolder) -> None:
    """Print a kept layout as TOML (which --layout FILE.toml and `layout save` read back).

    Example: loadbook trace layout show "furnace 2"
    """
    from loadbook.readers.recorder.kept_layouts import kept_layout

    for line in kept_layout(book.read(), name).text.splitlines():
        click.echo(plain(line))
