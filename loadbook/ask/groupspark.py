"""Tasks of a group spread over Spark's workers: mapInPandas over the manifest, never over samples."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from loadbook.ground.errors import UsageError
from loadbook.keep import groupspark
from loadbook.keep.groupwork import Task, Worked

from .groupreckon import as_row, from_told

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.keep.groupread import Group


def spread(tasks: Sequence[Task], master: str | None, spark: Any, group: Group) -> Iterator[Worked]:
    """Run every task on some worker; a task whose worker is lost runs on another.

    Each task is a partition of its own, so that a lost worker costs one month and no more. The workers need loadbook,
    and must see the target under the same address.
    """
    if group.store.in_this_process_only:
        raise UsageError("Spark's workers cannot see what is in memory://", mend="Publish to a folder they all see")
    if spark is None:
        spark = groupspark.session(master)
    rows = [json.dumps(as_row(t)) for t in tasks]
    manifest = spark.createDataFrame(
        spark.sparkContext.parallelize([(r,) for r in rows], len(rows)), "task string"
    )  # fmt: skip
    answers = manifest.mapInPandas(_work, "answer string")
    try:
        found = answers.collect()  # one short row a month: everything else went from the workers into the target
    except Exception as exc:
        raise groupspark.in_words(exc) from exc
    yield from (from_told(json.loads(r.answer)) for r in found)


def _work(frames: Iterator[pd.DataFrame]) -> Iterator[pd.DataFrame]:
    """What runs on a worker: one row of the manifest in, one row of what was written out."""
    import pandas as pd

    from loadbook.keep.groupwork import Task, work

    for frame in frames:
        told = [json.dumps(work(Task(**json.loads(text))).told()) for text in frame["task"]]
        yield pd.DataFrame({"answer": told})
