"""Charts: `chart` draws in the terminal; --chart of moved, effect and backtest writes a file."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from loadbook.core.errors import UsageError
from loadbook.queries.filters import Filters
from loadbook.store.book import BookFolder

from .common import LoadbookGroup, book_option, filter_options, to_stderr

if TYPE_CHECKING:
    from loadbook.queries.charts.frame import Picture

F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True)
class ChartFile:
    """The file that a chart was asked for, and whether it may replace another."""

    path: Path
    force: bool


def chart_option(function: F) -> F:
    """Adds --chart FILE and --force, and passes the two as `chart_file`, None where no chart is asked for."""

    @functools.wraps(function)
    def wrapper(*args: Any, chart_path: Path | None, force: bool, **kwargs: Any) -> Any:
        if force and chart_path is None:
            raise UsageError("--force belongs to a chart's file", remedy="Add --chart FILE.svg")
        return function(*args, chart_file=chart_path and ChartFile(chart_path, force), **kwargs)

    wrapped: Any = click.option("--force", is_flag=True, help="Write over a chart file of that name.")(wrapper)
    return click.option(  # type: ignore[no-any-return]
        "--chart", "chart_path", metavar="FILE", type=click.Path(path_type=Path),
        help="Also write it as a picture: FILE.svg, FILE.png or FILE.html.",
    )(wrapped)  # fmt: skip


def check_chart(file: ChartFile | None) -> None:
    """See before any work that the chart can be written. Raises UsageError."""
    if file is not None:
        from loadbook.render.charts.file import check_chart_file

        check_chart_file(file.path, force=file.force)


def write_chart(file: ChartFile | None, picture: Callable[[], Picture]) -> None:
    """Write the picture of an answer, where one was asked for."""
    if file is None:
        return
    from loadbook.render.charts.file import write_chart as write
    from loadbook.render.tables import plain

    write(picture(), file.path, force=file.force)
    to_stderr(f"Chart: {plain(str(file.path))}")


def moved_options(function: F) -> F:
    """The options of `moved` that say what is asked: --by and --stage."""
    function = click.option(
        "--stage", type=click.Choice(["after", "before"]), help="Plain readings of one stage, not movement."
    )(function)
    return click.option(
        "--by", multiple=True, metavar="COLUMNS",
        help="Treatment: setup,atmosphere (default), cycle, shape, ...; a parameter in bands: "
        "heating_rate_peak_c_per_h:50,100,150 or soak_minutes:q4.",
    )(function)  # fmt: skip


def effect_options(function: F) -> F:
    """The options of `effect` that say what is asked: its argument, --of, --asked and --stage."""
    function = click.option(
        "--stage", type=click.Choice(["after", "before"]), help="Plain readings of one stage, not movement."
    )(function)
    function = click.option(
        "--asked", is_flag=True, help="Use what was asked for, not what the traces show was achieved."
    )(function)
    function = click.option(
        "--assigned", is_flag=True, help="These runs were a trial that assigned what --of names: one fit of all."
    )(function)
    function = click.option(
        "--of", multiple=True, metavar="PARAMETER", help="Parameters or factors (setup, furnace, ...); "
        "default: the plannable four, setup, atmosphere, furnace; 'all': every one.",
    )(function)  # fmt: skip
    return click.argument("characteristic", required=False)(function)


@click.group(cls=LoadbookGroup)
def chart() -> None:
    """Draw in the terminal: movement by treatment, movement against a parameter, or a run.

    Letters stand for part numbers or channels, so that nothing rests on colour. The charts fit 80 by 24 and grow with
    the terminal. For a file, see --chart of moved and effect, and page run.
    """


@chart.command("moved")
@moved_options
@filter_options
@book_option
def chart_moved(by: tuple[str, ...], stage: Any, filters: Filters, book: BookFolder) -> None:
    """Movement by treatment: run means, pieces and the median of each.

    Example: loadbook chart moved --kind flatness --process "stress relief" --by setup
    """
    from loadbook.queries.charts.moved import moved_picture
    from loadbook.queries.moved import DEFAULT_BY
    from loadbook.queries.moved import moved as ask

    _draw(moved_picture(ask(book, filters, by or DEFAULT_BY, stage)))


@chart.command("effect")
@effect_options
@filter_options
@book_option
def chart_effect(
    characteristic: str | None,
    of: tuple[str, ...],
    asked: bool,
    assigned: bool,
    stage: Any,
    filters: Filters,
    book: BookFolder,
) -> None:
    """Movement against a parameter: run means of each part number, its line, and the pooled line as a warning.

    Example: loadbook chart effect flatness --process "stress relief" --of heating_rate_peak_c_per_h
    """
    from loadbook.queries.charts.effect import effect_picture
    from loadbook.queries.effect import effect as ask

    _draw(effect_picture(ask(book, characteristic, filters, of, stage, asked, assigned=assigned)))


@chart.command("run")
@click.argument("run")
@click.option("--channel", "channels", multiple=True, metavar="NAME", help="Only this channel (repeat for more).")
@book_option
def chart_run(run: str, channels: tuple[str, ...], book: BookFolder) -> None:
    """The temperatures of a run over time, with what its cycle asked, and the spread below.

    Example: loadbook chart run R25-086
    """
    from loadbook.queries.charts.run import run_chart
    from loadbook.render.charts.terminal_run import draw_run

    for line in draw_run(run_chart(book, run, channels), book.units, *size_of_terminal()):
        click.echo(line)


def _draw(picture: Picture) -> None:
    from loadbook.render.charts.terminal import draw

    for line in draw(picture, *size_of_terminal()):
        click.echo(line)
    for warning in picture.warnings:
        to_stderr(warning)


def size_of_terminal() -> tuple[int, int, bool]:
    """Columns and lines of the terminal (80 by 24 where it does not say), and whether it writes more than ASCII."""
    import shutil
    import sys

    from loadbook.render.charts.canvas import BEYOND_ASCII

    width, height = shutil.get_terminal_size((80, 24))
    height -= sys.stdout.isatty()  # the prompt that follows needs a line too
    try:
        BEYOND_ASCII.encode(sys.stdout.encoding or "ascii")
    except (UnicodeError, LookupError):
        return max(width, 60), max(height, 16), False
    return max(width, 60), max(height, 16), True
