"""The words of what is said of the whole of `moved` and `effect`, for the shop alone; joined in remark_words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from loadbook.analysis.effects.words import p_text
from loadbook.core.figures import share_words, shown
from loadbook.core.phrases import many
from loadbook.core.vocabulary.parameter_names import spoken

Figures = Mapping[str, Any]
Words = str | Callable[[Figures, str], str]


PLANTS_NAMED = 8  # with more, the largest are named and the others counted


def _plants(f: Figures, s: str) -> str:
    plants = f["plants"]
    if len(plants) > PLANTS_NAMED + 1:
        largest = sorted(plants, key=lambda p: -p["runs"])
        others = largest[PLANTS_NAMED:]
        runs, pieces = (sum(p[what] for p in others) for what in ("runs", "pieces"))
        plants = [*largest[:PLANTS_NAMED], {"plant": many(len(others), "more plant"), "runs": runs, "pieces": pieces}]
    rows = [f"{p['plant']} ({many(p['runs'], 'run')}, {many(p['pieces'], 'piece')})" for p in plants]
    text = "Evidence from " + (", ".join(rows) if rows else "no plant") + "."
    return text + (f" Left out: {', '.join(f['left_out'])}." if f["left_out"] else "")


def _plain_readings(f: Figures, s: str) -> str:
    other = "before" if f["stage"] == "after" else "after"
    return f"Plain readings {f['stage']} the run, not movement: no reading {other} is invented."


def _all_set_aside(f: Figures, s: str) -> str:
    why = "; ".join(f"{pieces} {reason}" for reason, pieces in f["reasons"].items())
    said = f"every reading is set aside ({why})" if why else "every reading is set aside. The reasons are listed"
    return f"Nothing can be said of movement: {said}." + (
        "" if f["stage"] else " Plain readings: --stage after, or --stage before."
    )


def _one_run(f: Figures, s: str) -> str:
    inside = ", only what differed inside it" if f["differed"] else ""
    return f"One run stands behind all of this: what another run would do cannot be told from it{inside}."


def _flagged(f: Figures, s: str) -> str:
    return (
        f"{many(f['readings'], 'reading')} {'lies' if f['readings'] == 1 else 'lie'} further than six robust standard "
        "deviations from the rest of the run, or of the part number's runs where a run has one or two pieces. They are "
        "in the figures until a person confirms them (loadbook confirm reading); the figures without them stand beside."
    )


def _differ_at_all(f: Figures, s: str) -> str:
    p = p_text(f["p"])
    return (
        f"{f['kind']} ({f['process'] or 'no process'}): do the treatments differ at all, run means against their "
        f"scatter: F = {f['f']:.2f}, p {p if p.startswith('<') else '= ' + p}."
    )


HISTORY_WORDS: dict[str, Words] = {
    "plants_behind": _plants,
    "plants_apart": "Runs are compared inside part numbers and plants: what differs between plants is in no effect.",
    "plain_readings": _plain_readings,
    "nothing_left": _all_set_aside,
    "one_run_behind": _one_run,
    "flagged_in": _flagged,
    "not_measured_at_all": lambda f, s: (
        f"{many(f['pieces'], 'piece')} of these runs {'was' if f['pieces'] == 1 else 'were'} not measured at all; what "
        f"{'it' if f['pieces'] == 1 else 'they'} did is not in here."
    ),
    "way_not_recorded": lambda f, s: (
        f"{f['movements']} of {f['of']} movements: how the piece was held, its datum or surface is not recorded."
    ),
    "gauges_apart": lambda f, s: (
        f"{f['movements']} of {f['of']} movements were read with more than one gauge ({' and '.join(f['gauges'])}): "
        "what these differ by counts as movement. Read both stages with one gauge; loadbook effect --of gauge tells "
        "whether such movements differ."
    ),
    "not_corrected": lambda f, s: (
        f"{f['sizes']} of {f['of']} size movements could not be corrected to {shown(20.0, 'c', s)} "
        f"({f['missing']} not recorded)."
    ),
    "all_moved_the_same": (
        "Where all runs moved the same, to the last digit, there is no scatter to make an interval of."
    ),
    "lots_apart": lambda f, s: (
        f"{many(f['lots'], 'lot')} without serials compared unpaired, apart: other pieces may have been read after the "
        "run than before it."
    ),
    "below_the_gauge": "In some rows more than half of the movements are below what the gauge can tell.",
    "differ_at_all": _differ_at_all,
    "only_asked": lambda f, s: (
        f"Of {', '.join(spoken(n, s) for n in f['parameters'])} only what was asked for is on record, not what the "
        "furnace did: --asked takes that."
    ),
    "by_asked": lambda f, s: (
        f"{spoken(f['parameter'], s)}: in {f['runs']} of {many(f['of'], 'run')} this is what was asked for; neither a "
        "trace nor a figure off a chart shows what the furnace did."
    ),
    "asked_not_achieved": "Parameters are what was asked, not what the traces show.",
    "flagged_in_effects": lambda f, s: (
        f"Readings that look like blunders and are still in: {f['readings']}; effect_without_flagged leaves them out. "
        "Decide with: loadbook confirm reading"
    ),
    "gauge_hides_small": lambda f, s: (
        f"{share_words(f['share'])} of the movements are smaller than the gauge's expanded uncertainty: small effects "
        "cannot be seen with this gauge."
    ),
    "trial_so_far": lambda f, s: (
        f"Trial {f['number']} ({f['purpose']}): {many(f['runs'], 'run')} measured"
        + (f", {f['missing']} still missing" if f["missing"] else "")
        + "."
    ),
}
