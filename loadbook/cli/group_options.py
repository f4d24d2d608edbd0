"""What the commands of `group` share: engines, plants, filters."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from loadbook.queries.filters import FILTERS, Filters

from .common import to_stderr

F = TypeVar("F", bound=Callable[..., Any])
_FILTERS = tuple(name for name in FILTERS if name != "where")


def engine_option(function: F) -> F:
    """Adds --engine and --master."""
    function = click.option(
        "--master", metavar="ADDRESS", help="The Spark master, e.g. spark://host:7077 (default: this machine)."
    )(function)
    return click.option(
        "--engine",
        type=click.Choice(["duckdb", "spark"]),
        default="duckdb",
        show_default=True,
        help="What computes it.",
    )(function)


def without_option(function: F) -> F:
    return click.option(
        "--without-plant", "without", multiple=True, metavar="NAME", help="Leave this plant out (repeat)."
    )(function)


def filters_option(function: F) -> F:
    """The filters that a group takes, as `filters`."""

    def wrapper(*args: Any, **kwargs: Any) -> Any:
        given = {name: kwargs.pop(f"filter_{name}") for name in _FILTERS}
        return function(*args, filters=Filters(**given), **kwargs)

    wrapped: Any = wrapper
    wrapped.__name__, wrapped.__doc__ = function.__name__, function.__doc__
    wrapped.__click_params__ = getattr(function, "__click_params__", [])
    for name in reversed(_FILTERS):
        own = " as PLANT/NAME" if name in ("furnace", "cycle", "job") else ""
        text = {"since": "Runs that began on or after this date.", "until": "Runs that began on or before this date."}
        wrapped = click.option(
            f"--{name}", f"filter_{name}", metavar="X", help=text.get(name, f"Only this {name}{own} (several: a,b).")
        )(wrapped)
    return click.option("--plant", metavar="NAME", help="Only this plant (several: a,b).")(wrapped)  # type: ignore[no-any-return]


def note_stale(target: str, without: tuple[str, ...]) -> None:
    """Say which plants have published since the group was computed."""
    from loadbook.group.read import open_group

    stale = [p.name for p in open_group(target, without).plants if p.stale]
    if stale:
        to_stderr(f"{', '.join(stale)}: published after the last group recompute, so the plant's own figures are read.")
