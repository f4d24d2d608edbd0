"""What every command shares: finding the book, filters, formats, errors turned into exit codes."""

from __future__ import annotations

import contextlib
import errno
import functools
import glob
import os
import sqlite3
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import click

from loadbook.core import times
from loadbook.core.errors import EXIT_COULD_NOT, LoadbookError
from loadbook.queries.filters import FILTERS, Filters
from loadbook.render.tables import FORMATS, emit, folded, lines_kept, plain
from loadbook.store.book import BookFolder

from . import streams

F = TypeVar("F", bound=Callable[..., Any])

__all__ = [
    "LoadbookCommand", "LoadbookGroup", "book_option", "emit", "files_argument", "filter_options", "format_option",
    "note_empty_span", "say_revision", "to_stderr",
]  # fmt: skip


def to_stderr(text: str) -> None:
    """Chatter: to stderr, so that stdout holds data only. Values in it are shown as text."""
    click.echo(folded(lines_kept(text), sys.stderr), err=True)


def note_empty_span(span: str, book: BookFolder) -> None:
    """Say that no run began in a month or another span, and between which days the book's runs did."""
    first, last = book.read().execute("SELECT min(started), max(started) FROM run").fetchone()
    days = [times.shown(moment, book.zone)[:10] for moment in (first, last) if moment]
    known = f"; the book's runs began from {days[0]} to {days[-1]}" if days else ": the book has no runs"
    to_stderr(f"No run began in {span}{known}")


def say_revision(book: BookFolder, cycle: str | None, revision: str | None) -> None:
    """Say which revision of a cycle is taken where none was named and the book has several.

    Raises NotFoundError, UsageError where more than one may be in use: before any work
    """
    if cycle is None or revision is not None:
        return
    from loadbook.store.run_records import find_cycle

    taken = find_cycle(book.read(), cycle)["revision"]
    others = [r[0] for r in book.read().execute("SELECT revision FROM cycle WHERE cycle = ? ORDER BY rowid", (cycle,))]
    if len(others) > 1:
        before = ", ".join(r for r in others if r != taken)
        to_stderr(f"Cycle {cycle} revision {taken}, the one in use (the book also has {before})")


def report(exc: BaseException) -> int:
    """Print an error as a user reads it, and give back the exit code."""
    if isinstance(exc, LoadbookError):
        for number, line in enumerate(str(exc).splitlines()):
            to_stderr(("" if number else "loadbook: ") + plain(line))
        return exc.exit_code
    if isinstance(exc, BrokenPipeError):
        streams.silence()
        return streams.READER_GONE
    if isinstance(exc, sqlite3.Error):
        to_stderr(f"loadbook: the book's file could not be used: {plain(str(exc))}. Run: loadbook verify")
    elif isinstance(exc, MemoryError):
        to_stderr("loadbook: not enough memory for this. Ask for less at once (--since, --until, --part)")
    elif isinstance(exc, UnicodeEncodeError):
        to_stderr(f"loadbook: {plain(str(exc.object)[:200])} cannot be written as text. Type it again, in UTF-8")
    elif isinstance(exc, RecursionError):
        to_stderr("loadbook: this is nested too deep to be read")
    elif isinstance(exc, OverflowError):
        to_stderr(f"loadbook: a number or date is too large: {plain(str(exc))}. Check what was typed")
    elif isinstance(exc, OSError):
        if exc.filename is None and exc.errno in (errno.ENOSPC, errno.EIO, errno.EDQUOT):
            streams.silence()
            to_stderr(f"loadbook: what was to be printed could not be: {exc.strerror}")
        else:
            to_stderr(
                f"loadbook: {exc.filename or 'a file'}: {exc.strerror or exc}. Check the name and the permissions"
            )
    else:
        to_stderr(f"loadbook: an unexpected fault in the program: {type(exc).__name__}: {plain(str(exc))}")
        to_stderr("The book is as it was. Repeat with --traceback and report what it prints")
    return EXIT_COULD_NOT


def _can_be_written(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


@contextlib.contextmanager
def _seen() -> Iterator[None]:
    """What was typed comes back in click's own messages: shown as text too."""
    try:
        yield
    except click.ClickException as exc:
        vars(exc)["message"] = "\n".join(plain(line) for line in exc.message.split("\n"))
        raise
    except ValueError as exc:
        if "null byte" not in str(exc):
            raise
        raise click.UsageError("a name cannot hold a NUL character") from exc


class _Guarded:
    """Turns errors into messages and exit codes; --traceback (or LOADBOOK_TRACEBACK) shows the trace."""

    def make_context(self, *args: Any, **kwargs: Any) -> click.Context:
        try:
            with _seen():
                made: click.Context = super().make_context(*args, **kwargs)  # type: ignore[misc]
        except OSError as exc:  # of --help
            sys.exit(report(exc))
        for name, value in made.params.items():
            for text in value if isinstance(value, tuple) else (value,):
                # the name of a file or a folder may be no text (surrogates)
                if isinstance(text, str) and name not in ("book_name", "target") and not _can_be_written(text):
                    raise click.UsageError(f"{plain(text)[:80]} cannot be read as text: type it again, in UTF-8", made)
        return made

    def invoke(self, ctx: click.Context) -> Any:
        try:
            with _seen():
                return super().invoke(ctx)  # type: ignore[misc]
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception as exc:
            if os.environ.get("LOADBOOK_TRACEBACK"):
                raise
            sys.exit(report(exc))


class LoadbookCommand(_Guarded, click.Command):
    """A command whose errors are messages."""


class LoadbookGroup(_Guarded, click.Group):
    """A group of such commands."""

    command_class = LoadbookCommand

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Each command's first sentence whole, over several lines where it needs them."""
        found = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        with formatter.section("Commands"):
            formatter.write_dl([(name, c.get_short_help_str(1000)) for name, c in found if c is not None])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        names, name = self.list_commands(ctx), args[0] if args else ""
        if name and not name.startswith("-") and name not in names:
            from loadbook.core.phrases import did_you_mean

            inner = ctx.parent is not None
            hint = did_you_mean(name, names).strip() or (f"There are: {', '.join(names)}" if inner else "")
            of = f" of {ctx.command_path}" if inner else ""
            raise click.UsageError(f"there is no command {name!r}{of}. {hint}".rstrip(), ctx)
        return super().resolve_command(ctx, args)


def files_argument(metavar: str | None = None) -> Callable[[F], F]:
    """Adds FILES, one or more, and passes them as `files`."""

    def files(_: click.Context, __: click.Parameter, given: tuple[Path, ...]) -> tuple[Path, ...]:
        return files_named(given) if os.name == "nt" else given

    return click.argument(
        "files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar=metavar, callback=files
    )


def files_named(given: Iterable[Path]) -> tuple[Path, ...]:
    """The files that arguments mean where no shell has expanded them, as on Windows: `*` and `?`, which no name can
    hold there, stand for other letters; brackets, `~`, `%` and `$` are letters themselves."""
    found: list[Path] = []
    for path in given:
        wild = any(c in str(path) for c in "*?")
        names = glob.glob(str(path).replace("[", "[[]"), recursive=True) if wild else []  # noqa: PTH207 - from any folder
        found += [Path(name) for name in sorted(names)] or [path]
    return tuple(found)


def book_option(function: F) -> F:
    """Adds --book and passes the open book as `book`."""

    @click.option(
        "--book", "book_name", metavar="FOLDER", help="The book's folder (else LOADBOOK_BOOK, else the nearest above)."
    )
    @functools.wraps(function)
    def wrapper(*args: Any, book_name: str | None, **kwargs: Any) -> Any:
        with BookFolder.find(book_name) as book:
            book.say = to_stderr
            if "filters" in kwargs:  # since and until are on the shop's clock
                kwargs["filters"] = replace(kwargs["filters"], zone=book.zone.key)
            try:
                return function(*args, book=book, **kwargs)
            except sqlite3.Error as exc:
                from loadbook.store.sql_errors import translate_error as in_words

                raise in_words(exc, book.file) from exc

    return wrapper  # type: ignore[return-value]


def format_option(function: F) -> F:
    """Adds --format and passes it as `fmt`."""
    return click.option("--format", "fmt", type=click.Choice(FORMATS), help="How to print rows (default: a table).")(
        function
    )


_HELP = {
    "since": "Runs that began on or after this date.",
    "until": "Runs that began on or before this date.",
    "where": "An SQL condition over the columns.",
    "verdict": "Only runs judged so: kept, broken, 'cannot be told', ...",
    "condition": "One condition of the pieces, e.g. forged.",
}


def filter_options(function: F) -> F:
    """Adds the filters that are the same everywhere and passes them as `filters`."""

    @functools.wraps(function)
    def wrapper(*args: Any, **kwargs: Any) -> Any:
        given = {name: kwargs.pop(f"filter_{name}") for name in FILTERS}
        return function(*args, filters=Filters(**given), **kwargs)

    wrapped: Any = wrapper
    for name in reversed(FILTERS):
        text = _HELP.get(name, f"Only this {name} (several: a,b).")
        wrapped = click.option(f"--{name}", f"filter_{name}", metavar="X", help=text)(wrapped)
    return wrapped  # type: ignore[no-any-return]
