"""Two or more treatments of the same pieces beside each other: their answers, and the differences between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from loadbook.analysis.answers.difference import difference
from loadbook.analysis.answers.estimate import History
from loadbook.analysis.answers.scale import Scale
from loadbook.core.errors import UsageError
from loadbook.core.figures import share_words
from loadbook.core.vocabulary.parameters import PLANNABLE

from . import answer_terms
from . import history as answerdata
from .answer import _asked, answer_of, quotation, treatment
from .answer_figures import apart, moved_by, span
from .answer_result import Answer
from .enquiry import Question, furnace_on_record, planned, subject
from .hours import Hours
from .result import Result
from .source import Source, source_of

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.store.book import BookFolder

CHOICES = ("cycle", "cycle_revision", "setup", "atmosphere", "furnace")
MOST = 8
ROOM_C = 20.0


@dataclass
class Comparison(Result):
    """Treatments side by side; every difference is one treatment less the first, at `confidence`.

    table   treatment, low, high, median, unit, share_inside with its interval (where the drawing has a tolerance),
            furnace_hours with their interval and cost (of a cycle in a book, from its furnace's past runs; else about,
            from the settings), difference, difference_low, difference_high, df, said
    text    sentences;  answers one per treatment
    """

    table: list[dict[str, Any]]
    text: list[str]
    answers: list[Answer] = field(repr=False, default_factory=list)
    confidence: float = 0.95

    def rows(self) -> list[dict[str, Any]]:
        return self.table

    def frame(self) -> pd.DataFrame:
        import pandas as pd

        return pd.DataFrame(self.table)


def treatments(texts: Sequence[str], question: Question) -> list[tuple[str, Question]]:
    """The questions of treatments as a user writes them: 'setup=stood', 'heating_rate_peak_c_per_h=60,setup=laid'.

    With one treatment the question as it was put comes first. Raises UsageError for what is no treatment
    """
    out = []
    for text in texts:
        changed: dict[str, Any] = {}
        settings = []
        for word in (w.strip() for w in text.split(",") if w.strip()):
            name, equals, value = word.partition("=")
            if equals and name.strip().lower().replace("-", "_") in CHOICES:
                changed[name.strip().lower().replace("-", "_")] = value.strip()
            else:
                settings.append(word)
        if not changed and not any("=" in word for word in settings):
            raise UsageError(
                f"--compare {text!r} names no treatment",
                remedy="Write --compare setup=stood, cycle=SR-600 or heating_rate_peak_c_per_h=60",
            )
        put = {**question.settings, **planned(settings)}
        out.append((text, replace(question, **changed, settings=put)))
    if len(out) == 1:
        out.insert(0, ("as asked", question))
    if not 2 <= len(out) <= MOST:
        raise UsageError(f"{len(out)} treatments are not compared", remedy=f"Give 2 to {MOST} with --compare")
    return out


def compare(
    asked_of: BookFolder | Source,
    question: Question,
    texts: Sequence[str],
    confidence: float = 0.95,
    system: str | None = None,
) -> Comparison:
    """Treatments of the same pieces side by side, each with its difference from the first.

    texts   treatments (see `treatments`)
    Raises  UsageError, NotFoundError
    """
    source = source_of(asked_of)
    system = system or source.units
    put = treatments(texts, question)
    found: list[tuple[str, Answer]] = []
    processes: set[str | None] = set()
    for _, question_put in put:
        furnace_on_record(question_put, source.words)
    with source.enquiry(question) as (conn, whole):
        about = subject(conn, whole)
        known = answerdata.load(source, kind=about.kind)
        for name, question_put in put:
            asked, process = treatment(conn, replace(question_put, plant=whole.plant), known)
            process = answerdata.choose_process(known, about.kind, about.part, asked.process, process)
            processes.add(process)
            found.append((name, answer_of(known, asked, about, process or answerdata.NO_PROCESS, system)))
        quoted = [quotation(source, conn, one) for _, one in found]
    if len(processes) > 1:
        listed = ", ".join(sorted(str(p) for p in processes))
        raise UsageError(f"the treatments are of different processes: {listed}", remedy="Compare inside one process")
    base = found[0][1]
    pieces = known.pieces(base.process, about.kind, about.scale)
    history = None
    if base.reply is not None:
        history = History(pieces.frame, known.breaks, known.extra, furnace_inside=True)
    usual = answer_terms.before(pieces, about, base.question).usual if about.scale == "log" else None
    scale = Scale(about.scale, about.reference_length_mm, usual)
    rows, text = [], []
    for k, ((name, one), hours) in enumerate(zip(found, quoted, strict=True)):
        inside: dict[str, Any] = vars(one).get("in_tolerance") or {}
        row: dict[str, Any] = {
            "treatment": name, "median": one.median, "low": one.low, "high": one.high, "unit": one.unit,
            "share_inside": inside.get("share"), "share_low": inside.get("low"), "share_high": inside.get("high"),
            **(_by_settings(one, history) if hours is None else _quoted(hours)),
            "difference": None, "difference_low": None, "difference_high": None,
            "df": None, "said": one.refused or "; ".join(_beyond(one)),
        }  # fmt: skip
        if k and history is not None and one.reply is not None:
            gap = difference(
                history, _asked(one.question, about, pieces), _asked(base.question, about, pieces), confidence
            )
            if gap is None:
                row["said"] = _and(row["said"], "no runs inside a part number bear on this difference")
                text.append(f"{name} against {found[0][0]}: no runs inside a part number bear on this difference.")
            else:
                at = base.reply.median if base.reply is not None else 0.0
                zero = scale.displayed(at)
                values = [scale.displayed(at + v) - zero for v in (gap.difference, gap.low, gap.high)]
                row["difference"], row["difference_low"], row["difference_high"] = values
                row["df"] = gap.df
                text.append(_sentence(name, found[0][0], values, one.unit, confidence, system))
        rows.append(row)
    text.append(
        "Differences are between means, inside part numbers, from runs alone, and need not be those of the middles: "
        "associations, unless a trial assigned the treatments."
    )
    return Comparison(rows, text, [a for _, a in found], confidence)


def _sentence(name: str, other: str, values: list[float], unit: str, confidence: float, system: str) -> str:
    middle, low, high = values
    sure = share_words(confidence)
    if low <= 0.0 <= high:
        of = " of the form error before" if unit == "%" else ""
        how = f"{moved_by(middle, unit, system)}{of} on average ({sure}: {span(low, high, unit, system)})"
        return f"{name} against {other}: {how}; which of them moves less cannot be told."
    amount, ends = apart(middle, low, high, unit, system)
    return f"{name} moves {amount} than {other} on average ({sure}: {ends})."


def _beyond(one: Answer) -> list[str]:
    return [f"{o['parameter']} beyond what was run" for o in one.outside_range]


def _and(first: str | None, second: str) -> str:
    return f"{first}; {second}" if first else second


def _quoted(hours: Hours) -> dict[str, Any]:
    told = hours.as_dict()
    hours_told = {f"furnace_{name}": told[name] for name in ("hours", "hours_low", "hours_high")}
    return {**hours_told, **{name: told[name] for name in ("cost", "cost_low", "cost_high", "currency")}}


def _by_settings(one: Answer, history: History | None) -> dict[str, Any]:
    empty = ("furnace_hours_low", "furnace_hours_high", "cost", "cost_low", "cost_high", "currency")
    return {"furnace_hours": _hours(one, history), **dict.fromkeys(empty)}


def _hours(one: Answer, history: History | None) -> float | None:
    """About how long the furnace is taken: from room temperature to the hold, the soak, and down again [h]."""
    asked = dict(one.question.settings)
    if history is not None:
        part = (one.subject.part or "", one.subject.characteristic or "")
        known = history.design.series_of.get(part)
        for name, means in history.design.series_mean.items() if known is not None else ():
            asked.setdefault(name, float(means[known]))
    rate, hold, soak, cool = map(asked.get, PLANNABLE)
    if not rate or not hold or soak is None or hold != hold or rate != rate or soak != soak:
        return None
    down = (hold - ROOM_C) / cool if cool and cool == cool else 0.0
    return (hold - ROOM_C) / rate + soak / 60.0 + down
