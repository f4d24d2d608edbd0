"""A choice of cycle: the ways to run a part with what is expected of each, as a shop would run them."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.answers.scale import Scale
from loadbook.analysis.planning.choose import Choice, Scored
from loadbook.analysis.trace.model import Cycle
from loadbook.core.remarks import REFUSAL, Remark
from loadbook.core.vocabulary.parameters import PLANNABLE

from . import remark_words
from .answer_result import Answer
from .answer_terms import Before
from .hours import Hours
from .result import Result
from .review_words import Said

if TYPE_CHECKING:
    import pandas as pd

HEATING, HOLD, SOAK, COOLING = PLANNABLE
VARIED = {"heating": HEATING, "cooling": COOLING, "soak": SOAK, "hold": HOLD, "setup": "setup", "cycle": "cycle"}


@dataclass(frozen=True)
class Planned:
    """A way as a shop would run it. changed: settings and factors that differ from the present way.

    breaks   what it breaks of the limits entered in the book;  remarks  of a reader of the cycle, beyond the present's
    """

    cycle: Cycle
    settings: dict[str, float]
    setup: str | None
    furnace: str | None
    hours: Hours
    changed: tuple[str, ...]
    breaks: tuple[Said, ...]
    remarks: tuple[Said, ...]


@dataclass
class Chosen(Result):
    """Ways to run a part beside each other, fewest hours first, and the one that is chosen.

    plans    of each way as a shop would run it;  text  sentences in the book's units
    refused  why none is offered, None where one is
    limits_um  what the reading after (or, `of_movement`, the movement) is held to
    """

    present: Answer
    keep: float
    limits_um: tuple[float, float]
    of_movement: bool
    choice: Choice | None = None
    plans: list[Planned] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)
    scale: Scale | None = None
    text: list[str] = field(default_factory=list)
    system: str = "si"
    varied: tuple[str, ...] = ()
    start: Before | None = None

    @property
    def refused(self) -> Remark | None:
        return next((r for r in self.remarks if r.severity == REFUSAL), None)

    def plan(self, scored: Scored) -> Planned:
        """The way of a score, as a shop would run it."""
        return self.plans[scored.way.key]

    def rows(self) -> list[dict[str, Any]]:
        return [self.row(s) for s in self.choice.scored] if self.choice is not None else []

    def row(self, s: Scored) -> dict[str, Any]:
        """One way for machines, in the units kept inside."""
        plan, scale = self.plan(s), self.scale
        assert scale is not None and self.choice is not None
        show, zero = scale.displayed, scale.displayed(self.choice.present.median)
        apart = None if s.apart is None else [
            show(self.choice.present.median + v) - zero for v in (s.apart.difference, s.apart.low, s.apart.high)
        ]  # fmt: skip
        return {
            "state": "chosen" if s is self.choice.chosen else s.state, "present": s is self.choice.present,
            "cycle": plan.cycle.cycle, "revision": plan.cycle.revision, "setup": plan.setup, **plan.settings,
            **plan.hours.as_dict(), "median": show(s.median), "low": show(s.low), "high": show(s.high),
            "unit": self.present.unit, "share_inside": s.inside.share, "share_low": s.inside.low,
            "share_high": s.inside.high, "less_the_present": show(s.median) - zero, "from_runs_alone": apart,
            "own_runs_near": s.own_near, "runs_near": s.near,
            "breaks": [_told(x) for x in plan.breaks], "remarks": [_told(x) for x in plan.remarks],
        }  # fmt: skip

    def frame(self) -> pd.DataFrame:
        import pandas as pd

        return pd.DataFrame(self.rows())

    def to_json(self) -> dict[str, Any]:
        """The keys of `loadbook choose --format json`."""
        c = self.choice
        trial = None
        if c is not None and c.trial is not None:
            plan = self.plans[c.trial.way.key]
            trial = {
                "runs": c.trial.runs, "outside": c.trial.outside, "cycle": plan.cycle.cycle,
                "revision": plan.cycle.revision, "setup": plan.setup, **plan.settings, **plan.hours.as_dict(),
            }  # fmt: skip
        low, high = self.limits_um
        return {
            "part": self.present.subject.part, "characteristic": self.present.subject.characteristic,
            "process": self.present.process, "keep": self.keep, "confidence": 0.95,
            "lower_um": low if np.isfinite(low) else None, "upper_um": high if np.isfinite(high) else None,
            "limits_of": "movement" if self.of_movement else "reading after",
            "chosen": self.row(c.chosen) if c is not None and c.chosen is not None else None,
            "ways": self.rows(), "tried": c.states if c is not None else {}, "varied": list(self.varied),
            "held_out": None if c is None else asdict(c.held_out),
            "matters": list(c.matters) if c is not None else [], "next_trial": trial,
            "refused": None if self.refused is None else remark_words.words(self.refused, self.system),
            "remarks": remark_words.with_words(self.remarks, self.system), "text": self.text,
        }  # fmt: skip


def _told(one: Said) -> dict[str, Any]:
    return {"code": one.code, "where": one.where, "text": one.remark, "figures": dict(one.figures)}
