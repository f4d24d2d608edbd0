"""Does a treatment soften? Hardness read before and after the runs of a cycle, part by part, each on its own scale."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from loadbook.analysis.trace.route import heats_again
from loadbook.core.remarks import remark
from loadbook.core.vocabulary.scales import scale_of

from .review import Found

FEWEST = 3  # pieces read before and after
# what counts as softer: points on Rockwell scales, a share on the others. A tester repeats within about half of it
# (common practice; ISO 6508-2 lets an HRC tester be 1.5 points off its block)
POINTS, SHARE = 1.5, 0.04


@dataclass(frozen=True)
class Hardness:
    """Hardness of one part's pieces, read before and after runs of the cycle, on the scale of the characteristic.

    pairs  (run, before, after);  lower  lower limit of the tolerance, on the same scale
    """

    part: str
    characteristic: str
    unit: str
    pairs: Sequence[tuple[str, float, float]]
    lower: float | None = None

    @property
    def softer(self) -> float:
        """How much softer the middle piece became, on its scale; below zero where it became harder."""
        return median(before - after for _, before, after in self.pairs)


def softens(read: Sequence[Hardness], process: str = "") -> Iterator[Found]:
    """A remark for each part and characteristic that the runs of a cycle made softer; where its process is asked to
    soften (it tempers, anneals, dissolves), only where pieces fell below what is asked of them."""
    asked = heats_again(process)
    for one in read:
        if len(one.pairs) < FEWEST:
            continue
        before, after = median(b for _, b, _ in one.pairs), median(a for _, _, a in one.pairs)
        rockwell = (scale_of(one.unit) or "").startswith("HR")
        if one.softer < (POINTS if rockwell else SHARE * before):
            continue
        runs = len({run for run, _, _ in one.pairs})
        below = 0 if one.lower is None else sum(a < one.lower <= b for _, b, a in one.pairs)
        if asked and not below:
            continue
        said = remark(
            "softens", characteristic=one.characteristic, before=before, after=after, unit=one.unit,
            pieces=len(one.pairs), runs=runs, below=below, lower=one.lower,
        )  # fmt: skip
        yield Found(said, one.part)
