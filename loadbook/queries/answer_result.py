"""An answer: its figures, what it rests on, and what is to be said of it as remarks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from loadbook.analysis.answers.estimate import METHOD, History, Reply
from loadbook.analysis.planning.advice import Coldest
from loadbook.core.remarks import CAUTION, REFUSAL, Remark

from . import remark_words
from .answer_physics import Physics
from .enquiry import Question, Subject
from .hours import Hours
from .result import Result

if TYPE_CHECKING:
    import pandas as pd

KEYS = (
    "low", "high", "content", "bound", "bound_content", "bound_confidence", "unit", "median", "runs", "pieces", "parts",
    "evidence", "forward_test", "outside_range", "in_um", "in_tolerance", "assumed",
    "refused", "need", "comparables", "advice", "cautions", "remarks",
)  # fmt: skip


@dataclass(frozen=True)
class Grounds:
    """The pieces that advice rests on, so that a letter can leave out what rests on another customer's.

    state    (run, serial) of the piece whose state is taken as the part's usual one
    coldest  the coldest TC of each piece of the part;  cycles  cycle -> runs of the part, of those compared
    """

    state: tuple[str, str] | None = None
    coldest: tuple[Coldest, ...] = ()
    cycles: dict[str, list[str]] | None = None


@dataclass
class Answer(Result):
    """A reply to an enquiry. Numbers are None where refused; `unit` says what they are in ('um', '%' or the reading's).

    low, high          the interval that holds `content` of pieces;  median its centre
    bound              one-sided, on the side that harms
    forward_test       held, held_low, held_high, runs of later runs predicted from their past; last_year the same of
                       that alone; widened; None where too few were left to test, or it was never run so
    outside_range      planned settings beyond what was run: parameter, asked, run_low, run_high
    in_um              of a kind told in %: low, median, high, bound [µm], and the reading before they start from
    in_tolerance       share of pieces inside the limits after the run, its low and high at 90 %; before the run
    assumed            setup, atmosphere, furnace that nobody named, taken as the part's usual
    need               what would narrow or permit it;  comparables the nearest runs;  advice by subject
    remarks            refusal, cautions and advice as codes with figures; refused and cautions are their words
    text               the answer as sentences in the book's units;  question, method, evidence_sha256 as kept
    """

    question: Question
    subject: Subject
    process: str
    low: float | None = None
    high: float | None = None
    content: float = 0.90
    bound: float | None = None
    bound_content: float = 0.95
    bound_confidence: float = 0.95
    unit: str = "um"
    median: float | None = None
    runs: int = 0
    pieces: int = 0
    parts: int = 0
    evidence: str = "all"
    forward_test: dict[str, Any] | None = None
    outside_range: list[dict[str, Any]] = field(default_factory=list)
    in_um: dict[str, Any] | None = None
    in_tolerance: dict[str, Any] | None = None
    assumed: dict[str, str] = field(default_factory=dict)
    need: dict[str, Any] = field(default_factory=dict)
    comparables: list[dict[str, Any]] = field(default_factory=list)
    advice: dict[str, Any] = field(default_factory=dict)
    remarks: list[Remark] = field(default_factory=list)
    text: list[str] = field(default_factory=list)
    method: str = METHOD
    evidence_sha256: str = ""
    reply: Reply | None = None
    own: dict[str, Any] | None = None
    history: pd.DataFrame | None = field(default=None, repr=False)  # the pieces it rests on
    model: History | None = field(default=None, repr=False)  # what was fitted on them
    grounds: Grounds | None = None  # the pieces that the advice rests on
    before_um: float | None = None  # a typical form error before, where the figures are in % of it
    hours: Hours | None = None  # of the furnace, for the cycle asked about
    physics: Physics | None = None  # of a refusal: which mechanisms act
    answer_id: int | None = None
    plants: list[dict[str, Any]] | None = None  # of a group: plant, runs, pieces that it rests on
    system: str = "si"

    @property
    def refused(self) -> str | None:
        """Why there is no figure, in words; None where there is one."""
        return next((remark_words.words(r, self.system) for r in self.remarks if r.severity == REFUSAL), None)

    @property
    def cautions(self) -> list[str]:
        """What the answer must not be taken for, in words."""
        return [remark_words.words(r, self.system) for r in self.remarks if r.severity == CAUTION]

    def to_json(self) -> dict[str, Any]:
        """The keys of `loadbook answer --format json`."""
        told = {key: getattr(self, key) for key in KEYS}
        told["furnace_hours"] = None if self.hours is None else self.hours.as_dict()
        told["physics"] = None if self.physics is None else self.physics.as_dict(self.system)
        told["remarks"] = remark_words.with_words(self.remarks, self.system)
        return told if self.plants is None else {**told, "plants": self.plants}

    def rows(self) -> list[dict[str, Any]]:
        return [self.to_json()]

    UNIT_COLUMNS = ("unit",)
    FIGURES = ((("mean", "low", "high"), "{unit}"),)

    def frame(self) -> pd.DataFrame:
        """The comparables: one row per run of one part number, nearest first."""
        import pandas as pd

        return pd.DataFrame(self.comparables)
