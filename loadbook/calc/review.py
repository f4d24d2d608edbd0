"""Reading a cycle like a careful metallurgist: a list of small checks, each remark with its reason and source."""

from __future__ import annotations

from collections.abc import Sequence

from . import reviewcycle, reviewmaterial
from .model import Cycle
from .reviewed import Remark, Subject

MARGIN_C = 30.0  # least distance of a hold below the last tempering temperature; the shop's own setting


def review(cycle: Cycle, subjects: Sequence[Subject] = (), margin_c: float = MARGIN_C) -> list[Remark]:
    """Remarks on a cycle, and on what it would do to each part it is reviewed for.

    margin_c  difference [°C] that a hold must stay below the last tempering (and below Ac1)
    Returns   remarks in the order of the checks; a remark said of several parts is said once, naming them
    """
    found: list[Remark] = []
    for check in reviewcycle.CHECKS:
        found.extend(check(cycle, None))
    for subject in subjects:
        for about in reviewmaterial.CHECKS:
            for remark in about(cycle, subject, margin_c):
                where = (
                    remark.where
                    if len(subjects) == 1 or subject.part in remark.where
                    else f"{remark.where}, {subject.part}"
                )
                found.append(Remark(remark.name, remark.remark, where, remark.why, remark.source))
    return list(dict.fromkeys(found))
