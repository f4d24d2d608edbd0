"""A real local cluster of two workers, and a group of three plants."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from loadbook.group.publish import publish
from loadbook.group.recompute import recompute_group
from loadbook.group.spark import session
from loadbook.store.book import BookFolder
from tests.groupbooks import PLANTS, make

MASTER = "local-cluster[2,1,1024]"


@pytest.fixture(scope="session")
def spark() -> Iterator[Any]:
    """Two worker processes with one core each."""
    small = {"spark.sql.shuffle.partitions": "2", "spark.sql.codegen.wholeStage": "false"}
    made = session(MASTER, small)
    yield made
    made.stop()


@pytest.fixture(scope="session")
def published(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three plants in one target, as published."""
    folder = tmp_path_factory.mktemp("group")
    for name in PLANTS:
        with BookFolder.open(make(folder, name)) as book:
            publish(book, str(folder / "target"), name)
    return folder / "target"


@pytest.fixture(scope="session")
def alone(published: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the target in which this machine alone computed everything again."""
    copy = tmp_path_factory.mktemp("alone") / "target"
    shutil.copytree(published, copy)
    recompute_group(str(copy))
    return copy
