"""What a question is asked of: a command of a book, and the same command of a group of plants.

A command's body takes `source` and has its own options; `of_book` and `of_group` add those that say whose records.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from typing import Any

import click

from loadbook.store.book import BookFolder

from .common import LoadbookCommand, book_option, to_stderr

Body = Callable[..., None]

PLANT_FILTER = click.option("--plant", metavar="NAME", help="Only this plant (several: a,b).")
WITHOUT = click.option(
    "--without-plant", "without", multiple=True, metavar="NAME", help="Leave this plant out (repeat)."
)
_OF_PLANTS = "Runs, serials, furnaces, cycles and jobs are a plant's own, with its name before them: 'Linz/R24-002'."


def engine_option(function: Any) -> Any:
    """Adds --engine and --master."""
    function = click.option(
        "--master", metavar="ADDRESS", help="The Spark master, e.g. spark://host:7077 (default: this machine)."
    )(function)
    return click.option(
        "--engine", type=click.Choice(["duckdb", "spark"]), default="duckdb", show_default=True,
        help="What computes it.",
    )(function)  # fmt: skip


def of_book(name: str, body: Body) -> click.Command:
    """The command that asks a book."""

    @functools.wraps(body)
    def asked(*, book: BookFolder, **given: Any) -> None:
        from loadbook.queries.source import BookSource

        body(source=BookSource(book), **given)

    return click.command(name, cls=LoadbookCommand)(book_option(_own_options(asked)))


def of_group(
    name: str, body: Body, example: str, *, text: str | None = None, plant: Any = PLANT_FILTER
) -> click.Command:
    """The command that asks the plants of a group.

    text   its help, where it is not the book's but for the example
    plant  the option --plant, where it is not a filter: then the body takes it
    """

    @functools.wraps(body)
    def asked(*, target: str, engine: str, master: str | None, without: tuple[str, ...], **given: Any) -> None:
        from loadbook.queries.plants import GroupSource

        only = given.pop("plant") if plant is PLANT_FILTER else None
        source = GroupSource(target, engine=engine, without=without, plant=only, master=master)
        body(source=source, **given)
        if source.stale:
            to_stderr(
                f"{', '.join(source.stale)}: published after the last group recompute, so the plant's own figures are"
                " read."
            )

    asked = _own_options(asked)
    for option in (WITHOUT, engine_option, plant):
        asked = option(asked)
    # the target is the first argument
    asked = click.argument("target")(asked)
    question = text or inspect.cleandoc(body.__doc__ or "").partition("Example:")[0].rstrip()
    whole = f"{question}\n\n{_OF_PLANTS}\n\nExample: loadbook group {name} {example}"
    return click.command(name, cls=LoadbookCommand, help=whole)(asked)


def _own_options(function: Any) -> Any:
    """Its list of options its own: a body's options are those of two commands."""
    function.__click_params__ = list(getattr(function, "__click_params__", ()))
    return function
