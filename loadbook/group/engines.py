"""The engines that answer SQL over a group: DuckDB on this machine, or Spark."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadbook.core import writing
from loadbook.store.session import Session, named_in

from . import plant_movement, views
from .duck import DuckEngine
from .read import Group, open_group

if TYPE_CHECKING:
    from .spark import SparkEngine


def start(
    group: Group, needs: Iterable[str], engine: str = "duckdb", master: str | None = None, spark: Any = None
) -> DuckEngine | SparkEngine:
    """An engine with the tables and views named.

    master, spark  of Spark: its address, or a session that there is already
    Raises         UsageError where it is not installed, or for a name that a group does not have
    """
    if engine == "spark":
        from .spark import SparkEngine

        return SparkEngine(group, needs, spark, master)
    with contextlib.ExitStack() as at_end:
        movement = None
        if asks_movement(needs):
            movement = plant_movement.made(group, Path(at_end.enter_context(writing.scratch())))
        made = DuckEngine(group, needs, movement=movement)
        made.at_end.push(at_end.pop_all())
        return made


def asks_movement(needs: Iterable[str]) -> bool:
    """Does what is named rest on the view `movement`?"""
    return any(view.name == views.MOVEMENT for view in views.plan(needs)[1])


def for_query(of: Mapping[str, Any], sql: str) -> Session:
    """The session over a group for one stranger's query: the views that it may name, over the published files alone.

    of  target, plants left out (without), a folder for copies of what is no folder (copies), without_damaged
    """
    tables, known = views.names()
    copies = Path(of["copies"]) if of["copies"] else None
    group = open_group(of["target"], of["without"])
    engine = DuckEngine(
        group, named_in(sql, {*tables, *known}), copies, without_damaged=bool(of.get("without_damaged")), keep=False,
        movement=plant_movement.kept(group),
    )  # fmt: skip
    return Session(engine.connection, engine.files, engine.left_out)
