"""The words of every remark as the shop reads it. A letter has sentences of its own (letter/customer_words).

A sentence is made from a remark's code and figures each time it is shown, in the units asked for; nothing reads one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from loadbook.core.cautions import LOAD
from loadbook.core.figures import scale_words, sentence, share_range, share_words, shown
from loadbook.core.phrases import many
from loadbook.core.remarks import ADVICE, Remark
from loadbook.core.vocabulary.parameter_names import spoken

from .answer_figures import moved_by, setting, setting_span, span
from .following_words import FOLLOWING_WORDS
from .history_words import HISTORY_WORDS
from .load_words import LOAD_WORDS
from .mechanism_words import pressed
from .precheck_words import PRECHECK_WORDS

Figures = Mapping[str, Any]
Words = str | Callable[[Figures, str], str]  # a sentence, or one made from figures in 'si' or 'us'
Advised = Callable[[Figures, str], tuple[str, list[str]]]  # (what is advised, why)


def words(remark: Remark, system: str) -> str:
    """What a remark says to the shop; refusals and advice without a full stop, to stand inside a sentence."""
    if remark.code in _ADVISED:
        what, why = advised(remark, system)
        return f"{what}: {'; '.join(why)}"
    return _said(_SHOP[remark.code], remark.figures, system)


def needed(remark: Remark, system: str) -> str:
    """What to measure where a remark refuses a figure."""
    return _said(_NEEDED[remark.code], remark.figures, system)


def advised(remark: Remark, system: str) -> tuple[str, list[str]]:
    """(what is advised, why) of advice other than stock."""
    return _ADVISED[remark.code](remark.figures, system)


def with_words(remarks: Iterable[Remark], system: str) -> list[dict[str, Any]]:
    """Remarks as JSON carries them: the words beside the code."""
    return [{**r.as_dict(), "text": words(r, system)} for r in remarks]


def by_subject(remarks: Iterable[Remark], cycles: list[dict[str, Any]], system: str) -> dict[str, Any]:
    """The advice of an answer's JSON: atmosphere, thermocouples, stock, cycle, each with its code.

    cycles  the evidence for the cycle that is advised, the kindest first
    """
    out: dict[str, Any] = {"thermocouples": [], "cycle": None}
    for r in remarks:
        if r.severity != ADVICE:
            continue
        if r.code in _SHOP:
            out["stock"] = {"code": r.code, "per_side_um": r.figures["per_side_um"], "text": words(r, system)}
            continue
        what, why = advised(r, system)
        if r.code == "cycle":
            out["cycle"] = {"code": r.code, "choice": what, "reason": why[0], "evidence": cycles}
        elif r.code.startswith("tc_"):
            out["thermocouples"].append({"code": r.code, "place": what, "reason": why[0]})
        else:
            out["atmosphere"] = {"code": r.code, "choice": what, "reasons": why}
    return out


def _said(made: Words, figures: Figures, system: str) -> str:
    return made if isinstance(made, str) else made(figures, system)


# -- pieces of sentences --------------------------------------------------------------------------


def _section(which: str, mm: float | None, system: str) -> str:
    return f"{which} section ({shown(mm, 'mm', system)})" if mm else f"{which} section"


def _in(f: Figures) -> str:
    return f" in {f['process']}" if f["process"] else ""


def _quoted(word: str) -> str:
    """A word as it is typed behind an option."""
    return f'"{word}"' if " " in word else word


def _reasons(f: Figures) -> str:
    return ", ".join(f"{reason} {count}" for reason, count in f["reasons"].items())


def _range(f: Figures, system: str) -> str:
    return setting_span(f["parameter"], f["low"], f["high"], system)


def _without(f: Figures, system: str, lead: str) -> str:
    """The interval without readings that look like blunders, where there is one."""
    if not f["without"] or not f["unit"]:
        return ""
    low, high = f["without"]
    return f"{lead} {span(low, high, f['unit'], system)}"


def _shared(f: Figures) -> str:
    how = {"diameter": " (half of the diameter's movement)", "runout": " (half of the runout's increase)"}
    return how.get(f["shared"], "")


def _stock(f: Figures, system: str) -> str:
    return (
        f"per side against {f['against']}{_shared(f)}: holds {share_words(f['content'])} of pieces with "
        f"{share_words(f['confidence'])} confidence"
    )


def _rows_of(f: Figures) -> str:
    """Which lines of the file a remark is of; nothing was typed by lines where there is one row."""
    lines = f["lines"]
    if not lines:
        return "this reading"
    shown = ", ".join(map(str, lines[:6])) + (f", ... {lines[-1]}" if len(lines) > 6 else "")
    return f"line {shown}" if len(lines) == 1 else f"lines {shown}"


def _stress_took_part(f: Figures, system: str) -> str:
    needs, least, most = (pressed(f[name], system) for name in ("needs_mpa", "least_mpa", "most_mpa"))
    beyond = ", so beyond them all: extrapolation" if f["needs_mpa"] > f["most_mpa"] else ""
    return (
        "Thermal stress of heating took part: part numbers left out are told better with it. At this rate the section "
        f"stays elastic from a yield of {needs} at {shown(20.0, 'c', system)} on "
        f"(part numbers on record: {least} to {most}{beyond}){_without(f, system, '; without it:')}."
    )


def _blunders(f: Figures, system: str) -> str:
    one = f["count"] == 1
    like = "looks like a blunder" if one else "look like blunders"
    without = _without(f, system, f"; without {'it it' if one else 'them it'} would be")
    return (
        f"{many(f['count'], 'reading')} of the history {like} (further than six robust standard deviations from the "
        f"run){without}. {'It counts' if one else 'They count'} until a person confirms: loadbook moved --what flagged "
        f"lists {'it' if one else 'them'}."
    )


def _level_never_run(f: Figures) -> str:
    if f.get("elsewhere"):
        return (
            f"{f['factor']} {f['level']} was never run with this part, and no part number changed its {f['factor']}: "
            "what it does cannot be told from what differs between parts."
        )
    meant = f" (is {f['like']!r} meant?)" if f.get("like") else ""
    return (
        f"{f['factor']} {f['level']} was never run{meant}: the figure is a guess at how much a new {f['factor']} may"
        " matter."
    )


# -- what the shop reads --------------------------------------------------------------------------

_SPREAD = "so how far pieces spread cannot be told"
_UNMEASURED = "Pieces that were not measured, cracked or were straightened may have moved more."
_DECLARE = "If you know what changed, declare it: loadbook add breaks"
_IN_STEPS = "Run a few pieces so, or in steps towards it, and measure them before and after."


def _of(name: str, system: str) -> str:
    return name if name in ("setup", "atmosphere", "furnace") else spoken(name, system)


def _none_keeps(f: Figures, s: str) -> str:
    best = "the present way" if f["present"] else "the best of them"
    untold = f"; of {f['untold']} more nothing can be told" if f["untold"] else ""
    return (
        f"nothing inside the evidence keeps {share_words(f['keep'])} of pieces inside with 95 % confidence; {best} "
        f"keeps {share_range(f['share'], f['low'], f['high'])}{untold}"
    )


_SHOP: dict[str, Words] = {
    "hardness": "hardness is kept but does not move",
    "kept_only": lambda f, s: f"{f['kind']} is kept but does not move",
    "after_before_before": lambda f, s: f"{_rows_of(f)}: the after reading is older than the before reading",
    "before_in_run": lambda f, s: f"{_rows_of(f)}: a before reading, but read after run {f['run']} began ({f['at']})",
    "after_in_run": lambda f, s: f"{_rows_of(f)}: an after reading, but read before run {f['run']} ended ({f['at']})",
    "read_far_from_run": lambda f, s: (
        f"{_rows_of(f)}: read on {f['day']}, {f['days']} days from run {f['run']}: is it the right year?"
    ),
    "read_in_future": lambda f, s: f"{_rows_of(f)}: read on {f['day']}, which is still to come",
    "read_hot": lambda f, s: (
        f"{_rows_of(f)}: the {f['of']} at {shown(f['at_c'], 'c', s)} is not a temperature to measure at"
        + (f": {f['meant_f']:g} °F typed as °C?" if f["meant_f"] else "")
        + (f": {f['meant_c']:.4g} °C typed as °F?" if "meant_c" in f else "")
    ),
    "gauge_past_due": lambda f, s: (
        f"{_rows_of(f)}: the calibration of gauge {f['gauge']} ended on {f['until']}, before it was used on {f['day']}"
    ),
    "furnace_running": lambda f, s: (
        f"{_rows_of(f) if f['lines'] else 'this run'}: {f['furnace']} was running {f['run']} at that time:"
        " is the date right, and the furnace?"
    ),
    "dates_read": lambda f, s: (
        f"dates were read with the {'day' if f['day_first'] else 'month'} first, since one is {f['date']}"
    ),
    "tolerance_left": lambda f, s: f"{_rows_of(f)}: what stands behind \u00b1 is kept as typed, and not reckoned with",
    "columns_hidden": lambda f, s: f"hidden in the sheet, and taken in with the rest: {', '.join(f['columns'])}",
    "never_measured": lambda f, s: f"no {f['kind']} was ever measured{_in(f)}",
    "all_set_aside": lambda f, s: f"all {f['count']} readings of {f['kind']}{_in(f)} are set aside ({_reasons(f)})",
    "gauge_too_coarse": lambda f, s: (
        f"{share_words(f['share'])} of the movements on record are smaller than their gauge's uncertainty (typically "
        f"{moved_by(f['gauge_um'], 'um', s)}): they moved less than can be told"
    ),
    "length_not_known": lambda f, s: (
        f"this kind works in {scale_words('um per 100 mm', s)}, and the reference length asked about is not known"
    ),
    "no_scatter": f"every movement recorded is the same, {_SPREAD}",
    "no_scatter_inside_parts": f"every piece of each part number moved the same, to the last digit, {_SPREAD}",
    "too_few_runs": lambda f, s: f"only {many(f['runs'], 'run')} on record; a known part number needs {f['needed']}",
    "too_few_repeats": lambda f, s: (
        f"{many(f['runs'], 'run')} of {many(f['parts'], 'part number')}: only {f['repeats']} repeat a part number, "
        f"and {f['needed']} are needed to tell how runs of one part number differ"
    ),
    "too_few_parts": lambda f, s: (
        f"only {many(f['parts'], 'part number')} on record; a new one needs {f['needed']} to be judged by"
    ),
    "computed_figures": (
        "the movements follow part number and settings to the last digit: measured figures scatter, so these were "
        "computed, or the gauge is too coarse"
    ),
    "atmosphere_never_run": lambda f, s: f"such pieces never ran in {f['atmosphere']}, only in {', '.join(f['run'])}",
    "far_beyond": lambda f, s: (
        f"{setting(f['parameter'], f['asked'], s)} lies far beyond anything run with this part (only {_range(f, s)})"
    ),
    "beyond_untold": lambda f, s: (
        f"it was never run so, and {many(f['runs'], 'run')} on record do not tell how pieces move there: the interval "
        f"would be more than {f['times']:g} times as wide as all movements on record"
    ),
    "level_moved": lambda f, s: (
        f"the last {many(f['runs'], 'run')} moved otherwise than all that came before: something changed that nobody "
        "declared"
    ),
    "before_far": lambda f, s: (
        f"The reading before that was named, {shown(f['before_mm'], 'mm', s)}, is far from the {f['pieces']} on record "
        f"({shown(f['low_mm'], 'mm', s)} to {shown(f['high_mm'], 'mm', s)}): is its point, or its unit, right?"
    ),
    "other_scale": lambda f, s: (
        f"Movement {'goes' if '100' in f['scale'] else 'does not go'} with size: runs left out are told better so. Ask "
        f"with --scale {_quoted(f['scale'])}, or amend the scale of these characteristics."
    ),
    "few_read_after": lambda f, s: (
        f"Only {f['read']} of {f['of']} readings before have one after: the figures are of such pieces as were read "
        "again. If those looked bad, or good, the others moved otherwise: read every piece of the next runs."
    ),
    "set_aside": lambda f, s: f"Set aside, so not in any figure: {f['count']} ({_reasons(f)}). {_UNMEASURED}",
    "settings_achieved": lambda f, s: (
        f"{share_words(f['share'])} of the settings in the history are what was achieved or stated, because nothing "
        "asked is on record for those runs."
    ),
    "otherwise_lately": lambda f, s: (
        f"The last {many(f['runs'], 'run')} of this {f['whose']} had {f['factor']} {f['now']}; the figures are for "
        f"{f['level']}. If it will run like those, ask with --{f['factor']} {_quoted(f['now'])}."
    ),
    "as_lately": lambda f, s: (
        f"Most runs of this part had {f['factor']} {f['usual']}, the last runs {f['level']}: the figures are for "
        f"{f['level']}. If it will run as before, ask with --{f['factor']} {_quoted(f['usual'])}."
        if f["usual"]
        else f"The figures are for {f['factor']} {f['level']}, as the last runs; of most before it is not on record."
    ),
    "blunders": lambda f, s: _blunders(f, s),
    "setting_never_run": lambda f, s: (
        f"{setting(f['parameter'], f['asked'], s)} was never run with "
        f"{'this part' if f['known'] else 'any such part'} (only {_range(f, s)}): extrapolation."
    ),
    "level_never_run": lambda f, s: _level_never_run(f),
    "factor_not_recorded": lambda f, s: (
        f"No run on record says its {f['factor']}: that asked about has no say in the figure."
    ),
    "together_never_run": (
        "Each setting was run, but never so far from this part's usual ones all together: extrapolation."
    ),
    "level_widened": lambda f, s: (
        f"The level moved about {many(f['runs'], 'run')} ago, and no break is declared: the interval is "
        f"{f['times']:.2g} times as wide for it. {_DECLARE} at=DATE what=WORDS"
    ),
    "level_changed": lambda f, s: (
        f"The level changed at about run {f['run']} ({f['at']}), {many(f['runs'], 'run')} ago, and no break is "
        f"declared: going by the runs before it the middle would be {moved_by(f['before'], f['unit'], s)}, not "
        f"{moved_by(f['now'], f['unit'], s)}. The answer follows the later runs. {_DECLARE} at={f['at']} what=WORDS"
    ),
    "level_drifted": lambda f, s: (
        f"The level has drifted slowly over these {many(f['runs'], 'run')}, beyond chance: at the level of {f['since']}"
        f" the middle would be {moved_by(f['before'], f['unit'], s)}, not {moved_by(f['now'], f['unit'], s)}. "
        "The answer follows the drift; look for its cause (furnace, gauge, material)."
    ),
    "runs_in_bursts": lambda f, s: (
        f"Its {f['runs']} runs came in {f['bursts']} bursts of days, and runs of one burst moved alike: they tell "
        f"hardly more than {f['bursts']} runs would, and the interval, which counts each, is rather too narrow. Look "
        "for what they shared (bar, operator, fixture)."
    ),
    "slopes_differ": lambda f, s: (
        f"What {_of(f['parameter'], s)} does differs by {f['by']}, beyond chance: the answer takes what it does with "
        f"this {f['by']}, not one slope for all (loadbook effect shows each)."
    ),
    "lots_differ": lambda f, s: (
        f"Material lots move differently ({f['lots']} on record): the interval is for a lot not run yet, and so wider "
        "than for one that was."
    ),
    "few_lots": lambda f, s: (
        f"What is on record is of {'one material lot' if f['lots'] == 1 else str(f['lots']) + ' material lots'}: how "
        "differently another lot would move cannot be known from that, and is not in the width."
    ),
    "test_short": lambda f, s: (
        f"The forward test held {share_words(f['held'])} where {share_words(f['content'])} was asked for: the interval "
        f"is {f['times']:.2g} times as wide for it."
    ),
    "stress_took_part": lambda f, s: _stress_took_part(f, s),
    "spread_borrowed": lambda f, s: (
        f"{many(f['parts'], 'part number')} say little of how far part numbers differ: that is borrowed from "
        + (
            f"{many(f['kinds'], 'other kind')} of this shop."
            if f["kinds"]
            else "what is usual (nothing else on record)."
        )
    ),
    "model_only": "The width is the model's own, not back-tested.",
    "since_break": lambda f, s: (
        f"{many(f['runs'], 'run')} since the last declared break; what came before counts as a weaker level, and most "
        "of the back-test rests on it."
    ),
    "looks_further": lambda f, s: (
        f"The last comparable run was on {f['newest']}: the answer looks further than it saw."
    ),
    "own_mean_uncertain": ("Most of the width is about this part's own mean: more runs of it would narrow it."),
    "code_overrules": (
        "A limit from a code or customer specification overrules anything here. Figures are history, not a promise; "
        "they describe what happened in the furnace, not what later machining releases."
    ),
    **LOAD,
    **LOAD_WORDS,
    **PRECHECK_WORDS,
    **HISTORY_WORDS,
    **FOLLOWING_WORDS,
    "no_hours": lambda f, s: (
        f"{f['cycle']} states no hours: a heat of it has no target or no rate to ask for, or it has no hold"
    ),
    "never_ran": lambda f, s: f"{f['part']} has no run with {f['characteristic']} measured before and after",
    "present_beyond": lambda f, s: (
        f"{f['cycle']} lies beyond what this part was run at, so there is nothing to choose from"
    ),
    "nothing_varied": lambda f, s: (
        f"nothing that could be chosen ({', '.join(_of(n, s) for n in f['parameters']) or 'setup'}) ever varied inside "
        "part numbers, and the part ran by one cycle in one setup"
    ),
    "none_keeps": _none_keeps,
    "goes_together": lambda f, s: (
        f"{_of(f['parameter'], s)} hardly changed inside part numbers without {_of(f['other'], s)}: which of the two "
        "moves the parts cannot be told, so no gain from it alone is promised"
    ),
    "faster_breaks": lambda f, s: (
        f"a way of {f['hours_h']:.1f} h would keep the tolerance but is not offered: {f['where']} {f['what']}"
    ),
    "outside_not_offered": "ways beyond what was run are shown for comparison and not offered",
    "stock": _stock,
    "stock_not_needed": lambda f, s: f"no stock against {f['against']}: the bound lies on the harmless side",
    "stock_never_run": "no stock is advised: it was never run so, and what holds 95 % of pieces there is not known",
    "stock_few_parts": lambda f, s: (
        f"no stock is advised: {many(f['parts'], 'part number')} cannot show how far the worst one lies"
    ),
    "stock_not_known": "no stock is advised: this kind has no harmful direction, or its size is not known",
}

_RESOLVE = "Measure with a gauge that resolves the movement."
_NEEDED: dict[str, Words] = {
    "no_hours": "Take in a revision of the cycle whose heats have target and asked_rate, and which has a hold.",
    "never_ran": "Run it by its present cycle and measure before and after; loadbook answer says what such parts do.",
    "present_beyond": "Give --cycle: the one that it is run by now.",
    "nothing_varied": lambda f, s: (
        "Run this part at two settings, a low and a high one in turn, and measure: loadbook trial plans such runs."
    ),
    "none_keeps": lambda f, s: (
        "Measure more runs by the best of them, allow more tolerance or stock, or ask with a smaller --keep; what "
        "would narrow the figure most stands with loadbook answer."
    ),
    "hardness": "Ask about a size or a form error.",
    "kept_only": "Ask about a size or a form error.",
    "never_measured": (
        "Measure before and after the run: at least 8 runs with 4 repeats of a part number, or 3 part numbers."
    ),
    "all_set_aside": "Movement needs a reading before and one after the run, taken in the same way.",
    "gauge_too_coarse": "Measure with a gauge whose uncertainty is well below the movement that matters.",
    "length_not_known": "Give it with --size.",
    "no_scatter": _RESOLVE,
    "no_scatter_inside_parts": _RESOLVE,
    "too_few_runs": lambda f, s: (
        f"Measure before and after on {many(f['needed'] - f['runs'], 'more run')} of this kind."
    ),
    "too_few_repeats": lambda f, s: (
        f"Measure {many(f['needed'] - f['repeats'], 'more run')} of part numbers that are on record already."
    ),
    "too_few_parts": lambda f, s: (
        f"Measure {many(f['needed'] - f['parts'], 'more part number')} of this kind, or run this part itself: "
        f"{f['runs']} runs in all with {f['repeats']} repeats make it a known part number."
    ),
    "computed_figures": "Look at where the readings come from.",
    "atmosphere_never_run": lambda f, s: (
        f"Measure runs in {f['atmosphere']} before and after. The book can answer for {' or '.join(f['run'])}, where"
        " the material may be treated so."
    ),
    "far_beyond": _IN_STEPS,
    "beyond_untold": _IN_STEPS,
    "level_moved": lambda f, s: (
        f"Measure {many(f['needed'], 'more run')}, or declare what changed and when: loadbook add breaks at=DATE "
        "what=WORDS."
    ),
}


def _air_or_vacuum(f: Figures, system: str) -> tuple[str, list[str]]:
    known = {"how far it is machined": f["machining"], "the stock left per side": f["stock"]}
    missing = [what for what, there in known.items() if not there]
    why = "not recorded: " + " and ".join(missing) if missing else "no stock is recorded to take scale off"
    return (
        "cannot tell between air and vacuum",
        [why, "air where every surface is machined again, vacuum or dry inert gas where one is not"],
    )


_PROTECTED = "vacuum or dry inert gas"
_CORNER = "piece in the coldest surveyed corner"
_ADVISED: dict[str, Advised] = {
    "protect_reactive": lambda f, s: (
        _PROTECTED,
        [f"{f['family'] or 'the material'} reacts with air when hot; ask whether it reacts with nitrogen too"],
    ),
    "protect_finished": lambda f, s: (
        _PROTECTED,
        ["its surfaces are finished: scale and discolouration would stay"],
    ),
    "air": lambda f, s: (
        "air",
        [sentence("{stock_mm} of stock per side is left and machined off with the scale; air is the cheaper", f, s)],
    ),
    "air_or_vacuum": _air_or_vacuum,
    "cycle": lambda f, s: (
        f["cycle"],
        ["its runs moved such pieces least on average; an association (loadbook trial plans a trial)"],
    ),
    "tc_thickest": lambda f, s: (_section("thickest", f["mm"], s), ["it is the last to heat and to cool"]),
    "tc_thinnest": lambda f, s: (
        _section("thinnest", f["mm"], s),
        ["it is the first to heat; with the thickest it shows the spread inside a piece"],
    ),
    "tc_middle": lambda f, s: ("piece in the middle of the load", ["it is shaded by the others and soaks last"]),
    "tc_coldest_corner": lambda f, s: (_CORNER, ["the last uniformity survey found it coldest"]),
    "tc_corner_not_noted": lambda f, s: (
        _CORNER,
        ["take it from the last uniformity survey; the book has no note of which corner it is"],
    ),
    "tc_survey_note": lambda f, s: (f"coldest corner of {f['furnace']}", [f"survey of {f['done_on']}: {f['note']}"]),
    "tc_coldest_place": lambda f, s: (
        f["place"],
        [f"at the hold it was the coldest TC of its piece on {f['pieces']} of {many(f['of'], 'piece')}"],
    ),
    "tc_lost": lambda f, s: (
        f["place"],
        ["fix it better and put a second one beside it: " + "; ".join(f"{what} in run {r}" for what, r in f["faults"])],
    ),
}
