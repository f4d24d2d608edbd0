"""A plan as a person reads it: the rate first, then the segments, then what it rests on and what runs showed."""

from __future__ import annotations

import sys
from typing import TextIO

from loadbook.core.vocabulary.parameter_names import spoken
from loadbook.queries.cycles import PartPlan
from loadbook.store.book import BookFolder

from .judged import figure
from .tables import emit, plain, write_words

CAUTIONS = (
    "A limit from a code or a customer's specification overrules anything here.",
    "The figures are an estimate for one piece alone in the furnace: let the work TCs decide.",
)


def print_plan(found: PartPlan, book: BookFolder, out: TextIO | None = None) -> None:
    """Write one plan."""
    out = out or sys.stdout
    system, p = book.units, found.plan

    def say(text: str) -> None:
        write_words(plain(text), out)

    limits = f"surface at most {_d(found.lag_c, system)} ahead of the middle"
    if found.difference_c is not None:
        limits += f", thin section at most {_d(found.difference_c, system)} ahead of the thick one's middle"
    say(f"{found.part} under {found.cycle.cycle} revision {found.cycle.revision}: {p.furnace_hours:.1f} h by this plan")
    if found.hours is not None:
        say(found.hours.sentence().rstrip("."))
    fast = figure(p.rate_c_per_h, "c_per_h", system)
    if p.bound_by == "nothing":
        say(f"No heating rate up to {fast} passes the limit ({limits})")
    else:
        say(f"Heating at {fast} or slower keeps the limit on the {p.bound_by} ({limits})")
    say(f"By the settled formula the lag alone would allow {figure(p.rate_steady_c_per_h, 'c_per_h', system)}")
    rows = [
        [str(s.number), s.kind, figure(s.from_c, "c", system), figure(s.to_c, "c", system),
         figure(s.rate_c_per_h, "c_per_h", system), f"{s.hours:.2f}", _d(s.lag_peak_c, system),
         _d(s.difference_peak_c, system), _d(s.lead_peak_c, system),
         "" if s.soak_through_min is None else f"{s.soak_through_min:.0f} min",
         "" if s.soak_minutes is None else f"{s.soak_minutes:.0f} min"]
        for s in p.segments
    ]  # fmt: skip
    out.write("\n")
    columns = ["segment", "kind", "from", "to", "rate", "hours", "section lag", "thin-thick", "lead", "soaked through",
               "soak"]  # fmt: skip
    emit(columns, rows, None, title="Segment by segment (largest differences)", out=out)
    if p.dose_middle is not None and p.dose_surface is not None:
        say("")
        say(f"Dose (thousands): middle {p.dose_middle:.3f}, surface {p.dose_surface:.3f}")
    else:
        say("")
        say("Dose: not defined, the material has no dose constant")
    if found.shown:
        rows = [[spoken(s.parameter, system), str(s.runs), figure(s.median, s.unit, system),
                 figure(s.low, s.unit, system), figure(s.high, s.unit, system)] for s in found.shown]  # fmt: skip
        out.write("\n")
        title = f"What {found.runs} runs of {plain(found.part)} under {plain(found.cycle.cycle)} showed"
        emit(["parameter", "runs", "median", "lowest", "highest"], rows, None, title=title, out=out)
    else:
        say("")
        say(f"The book has no run of {found.part} under {found.cycle.cycle} to compare with")
    say("")
    say("Assumed")
    for text in found.assumptions:
        say(f"  {text}")
    say("")
    for text in CAUTIONS:
        say(text)


def _d(value: float | None, system: str) -> str:
    return figure(value, "c_diff", system).replace(" apart", "")
