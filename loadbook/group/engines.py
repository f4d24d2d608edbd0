"""The engines that answer our own SQL over a group: DuckDB on this machine, or Spark."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from .duck import DuckEngine
from .read import Group

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
    return DuckEngine(group, needs)
