"""The words of what is computed of a run: what a thermocouple's trace shows, what a clause asks or lacks, and notes.

Derived rows keep codes and figures; a sentence is made from them each time it is read, in the reader's units
(`of_stored`). Templates are filled in by `core.figures`: the end of a figure's name is its quantity.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from loadbook.core.figures import clock, sentence, shown
from loadbook.core.remarks import Remark, from_dict
from loadbook.core.remarks import of_stored as remarks_of

from . import mechanism_words

Figures = Mapping[str, Any]
Template = str | Callable[[Figures, str], str]
_JOINED = (".", ",", ":", " ")  # a sentence that begins so goes on with the one before it


def worded(said: Iterable[Remark | str], system: str) -> str:
    """What was said, in one text; texts of people as they are."""
    out = ""
    for part in said:
        text = part if isinstance(part, str) else words(part, system)
        if out and not text.startswith(_JOINED):
            out += " " if out.endswith(":") else "; "
        out += text
    return out


def of_stored(text: str | None, system: str) -> str | None:
    """A text of a derived row as it is read: its sentences in the reader's units, a person's own words as they are."""
    return None if text is None else worded(remarks_of(text), system)


def row_in_words(row: Iterable[Any], system: str) -> list[Any]:
    """A row of a listing: what it keeps as codes and figures in words, anything else as it is."""
    return [of_stored(v, system) if isinstance(v, str) and v[:1] == "[" else v for v in row]


def words(remark: Remark, system: str) -> str:
    """The words of one remark. Raises KeyError for a code whose words do not stand here."""
    made = WORDS[remark.code]
    if callable(made):
        return made(remark.figures, system)
    return sentence(made, remark.figures, system)


# -- thermocouples ----------------------------------------------------------------------------------


def _open(f: Figures, system: str) -> str:
    kinds = (("sentinel", "written as an open circuit"), ("outside", "outside the sensor's range"), ("blank", "blank"))
    found = [f"{f[key]} samples {what}" for key, what in kinds if f[key]]
    breaks = f" in {f['breaks']} breaks" if f["breaks"] > 1 else ""
    seen = ", ".join(found) or f"{f['samples']} samples without a value"
    return f"{seen}{breaks}, " + sentence("{lasted_min:.1f} in all from {from_s:clock}", f, system)


def _spike(f: Figures, system: str) -> str:
    side, samples = "above" if f["above"] else "below", "one sample" if f["samples"] == 1 else "two samples"
    more = f", and {f['more']} more of the kind" if f["more"] else ""
    return sentence(
        f"stood {{height_c_diff:.1f}} {side} its neighbours for {samples} at {{at_s:clock}} and was back at the next,"
        f" with no other channel moving{more}: a disturbance on the line, or a loose contact", f, system,
    )  # fmt: skip


def _read_as(f: Figures, system: str) -> str:
    more = ", ".join(f"{wire} read as {table}" for wire, table in f["as_well"])
    said = sentence(
        ". Read as type {table} though its wires are type {wire}, it fits: by their own table it comes to rest "
        "{off_c_diff:+.0f} from its peers", f, system,
    )  # fmt: skip
    return said + (f"; {more} would fit too" if more else "")


def _position(f: Figures, system: str) -> str:
    sides = []
    for side, word in (("hot", "hotter"), ("cold", "colder")):
        if f[side]:
            by = f"{{{side}_least_c_diff:number}} to {{{side}_most_c_diff}}"
            sides.append(f"{', '.join(f[side])} {word} by {sentence(by, f, system)}")
    return (
        f"{f['apart']} of {f['of']} work TCs stand apart at the late hold ({'; '.join(sides)}; the middle of the load "
        f"is at {shown(f['middle_c'], 'c', system)}): so many sensors do not drift together. The likelier cause is "
        "position: a load or furnace hotter on one side, or beads on the furnace's side of their parts. Reported, "
        "never removed"
    )


_EVIDENCE: dict[str, Template] = {
    "open": _open,
    "spike": _spike,
    "known_swap": lambda f, s: f"{f['person']}: {f['why']}" if f["person"] else "known to a named person",
    "open_beside": "{samples} samples beside them on the way out of range",
    "reversed": "fell by {fell_c_diff} from {from_s:clock} to {to_s:clock} while its peers were heated by "
    "{heated_c_diff}",
    "stands_above": "stands at {stands_c} at the late hold and comes to {comes_to_c}, {above_c_diff} above the hottest "
    "other channel, with {share:.2f} times the rise of the others from the start: nothing in the furnace can heat it "
    "so far",
    "stands_below": "stands {below_furnace_c_diff} below the furnace at the late hold ({share:.2f} times the others' "
    "rise) and would come to rest {below_peers_c_diff} below its peers, further than the widest class of furnace "
    "uniformity allows a place to be ({class_c_diff}); a place colder than that would look the same",
    "fell_away": "stood with its peers at {stood_c:.1f} at {at_s:clock} and then fell away to {below_c_diff} below "
    "them, further than a colder place can be: it left its piece, or the piece left its place",
    "shorted_rise": "rose by {rose_c_diff} where its peers rose by {peers_c_diff}, and stands at {stands_c} at the "
    "late hold, not on its way to the furnace: it reads another place, or as another type",
    "shorted_drop": "fell from {from_c:number} to {to_c} within {within_min} at {at_s:clock} while its peers stood at "
    "{peers_c}, and stayed there: it reads the temperature of its lead",
    "read_as": _read_as,
    "left_range": "reads up to {above_c_diff} above the hottest other channel on the way up and was last in its range "
    "at {at_s:clock} ({stands_c}): nothing in the furnace can heat it so far. Read as type {table} though its wires "
    "are type {wire}, it fits: by their own table it was within {off_c_diff} of its peers (median) up to then",
    "leads": "{channel} leads {other} by {heating_c_diff} while heating and by {cooling_c_diff} while cooling "
    "(medians), as a control TC leads work: the two seem to be connected to each other's channel",
    "traded": "at the same moment {other} jumped by {jump_c_diff:+.1f}: each goes on where the other was",
    "left_place": lambda f, s: sentence(
        "left its own earlier place for the furnace at {at_s:clock}: within {within_min} it came {nearer_c_diff} "
        f"nearer than its own earlier rate {'allows' if f.get('single') else 'and its nearest peers allow'}, closing "
        "{percent:.0f} % of the distance; on average {before_c_diff} from the furnace in the 20 min before and "
        "{after_c_diff} in the 20 min after. Where piece and furnace are equally hot it cannot be seen", f, s,
    ),
    "at_once": lambda f, s: sentence(
        "follows the furnace at once with {percent:.0f} % of its movement (standard error {error_percent:.0f} %) "
        f"through the whole heat-up to {{to_s:clock}}, and with the rest slowly: a {'thick ' if f['thick'] else ''}"
        "section takes up heat at one rate. It was loose, or on the furnace's side of its part, before it had shown a "
        "place of its own", f, s,
    ),
    "time_constant": "answers the furnace with a time constant of about {after_min} from {from_s:clock}, where it had "
    "{before_min} before; its nearest peers changed by a factor of {factor:.1f} at most. Last seen in its place at "
    "{seen_s:clock} (then up to {away_c_diff} from the furnace); in between, at the hold, it cannot be seen",
    "frozen": "stood at {stood_c:.1f} from {from_s:clock} for {for_min}, while its peers moved by {peers_c_diff}",
    "frozen_single": "stood at {stood_c:.1f} from {from_s:clock} for {for_min}, while the furnace moved by "
    "{peers_c_diff}",
    "frozen_furnace": "the furnace moved by {peers_c_diff} and it stood still to the end",
    "frozen_dead": "it came in at {rate_c_per_h} and stopped dead",
    "frozen_expected": "answering the furnace half as fast as before, it would have moved by {expected_c_diff}",
    "frozen_alone": "every peer moved by {peers_c_diff} or more and it stood still to the end",
    "frozen_caught_up": "then it caught up by {jump_c_diff:+.0f} at once",
    "jumped": "jumped by {jump_c_diff:+.1f} within {within_s} at {at_s:clock}, where its own slope on either side "
    "allows {allowed_c_diff:.1f}, and did not come back",
    "jumped_and_back": "jumped by {jump_c_diff:+.1f} within {within_s} at {at_s:clock}, where its own slope on either "
    "side allows {allowed_c_diff:.1f}, and back by {back_c_diff:+.1f} at {back_s:clock}",
    "noisy": "scatters by {scatter_c_diff:.1f} about a local line, {ratio:.0f} times its peers",
    "comes_and_goes": lambda f, s: sentence(
        "came and went {times} times between {from_s:clock} and {to_s:clock}, {lasted_min} in all: mostly a loose plug "
        "or jack, or a wire about to break. Reseat and pull at plug, jack and lead, and measure the loop before the "
        f"next run. {'At first' if f['first'] else 'At worst'}:", f, s,
    ),
    "drift": "reads {off_c_diff:+.1f} against its peers at the late hold (from {at_s:clock}, {percent:+.1f} % of the "
    "way from the start), beyond {limit_c_diff:.1f} of class, calibration and scatter",
    "drift_in_proportion": "so in proportion since its first look at {at_s:clock}",
    "drift_between": "it began between {not_at_s:clock} (nothing of it yet) and {there_s:clock} (all of it)",
    "drift_above": "above everything that heats it, so that the sensor is the likelier cause",
    "drift_moved": "it moved {grew_c_diff:.1f} away while the furnace stood, which no place does: likelier the sensor",
    "drift_place": lambda f, s: (
        f"a {'cold' if f['cold'] else 'hot'} place looks the same and is the likelier cause: look at its position and "
        "contact first"
    ),
    "drift_reported": ". Reported, never removed unless a named person confirms it",
    "position": _position,
}  # fmt: skip

# -- notes of parameters and plans ------------------------------------------------------------------


def _film(f: Figures, system: str) -> str:
    """A film coefficient; 1 Btu/(h ft² °F) is 5.678263 W/(m² K) (NIST SP 811, appendix B)."""
    k = f["film_w_m2k"]
    return f"{k / 5.678263:.3g} Btu/(h ft² °F)" if system == "us" else f"{k:g} W/(m² K)"


def _plan_section(f: Figures, system: str) -> str:
    mm2 = f["diffusivity_mm2_per_s"]
    diffusivity = f"{mm2 / 645.16:.3g} in²/s" if system == "us" else f"{mm2:.2f} mm²/s"
    return (
        f"thick section: {f['shape']} of {shown(f['wide_mm'], 'mm', system)}, heated from all its sides, diffusivity "
        f"{diffusivity} at every temperature (no transformation heat)"
    )


def _noise(f: Figures, system: str) -> str:
    said = f"{f['channel']}, window {f['window_min']:g} min"
    if f["noise_c_per_h"] < 0.05:  # less than the figure beside it shows
        return said
    return f"{said}, of which noise may be {shown(f['noise_c_per_h'], 'c_per_h', system, '.1f')}"


_NOTES: dict[str, Template] = {
    "no_band": "no band stated: {band_c_diff} either side",
    "noise": _noise,
    "above": "above {above_c:.1f}",
    "dose_at": "at {target_c}",
    "section": "{part}: {shape} of {wide_mm} at {rate_c_per_h}",
    "plan_section": _plan_section,
    "plan_film": lambda f, s: (
        f"radiation with emissivity {f['emissivity']:g} and convection of {_film(f, s)} ({f['atmosphere']})"
    ),
    "plan_film_stated": lambda f, s: f"heat transfer at the surface of {_film(f, s)}, as stated",
    "plan_outline": "its section {thick_mm} x {across_mm}{how}, heated from all four sides",
    "plan_start": "the furnace follows the program from {start_c}; it cools at the asked rate to the end",
    "plan_alone": "the piece stands alone: what shades it, and the load's mass, slow it further",
    "plan_no_rate": "segment {segment} states no rate: {rate_c_per_h} is used",
}

# -- clauses ----------------------------------------------------------------------------------------

_WHILE = {"heating": " while heating", "hold": " during holds", "cooling": " while cooling", "start": "", "any": ""}


def _bounds(f: Figures, system: str) -> str:
    sides = [f"{word} {shown(f[key], 'c', system)}" for word, key in (("above", "above_c"), ("below", "below_c"))
             if f.get(key) is not None]  # fmt: skip
    return " and ".join(sides)


def _limit(f: Figures, system: str) -> str:
    """A limit of a cycle as a sentence."""
    text = _limit_words(f, system)
    if f["quantity"] != "time_in_range" and (sides := _bounds(f, system)):
        text += f" ({sides} only)"
    if f["thickness_mm"]:
        text += f"; the limit follows from a section of {shown(f['thickness_mm'], 'mm', system)}"
    return text


def _limit_words(f: Figures, system: str) -> str:
    q, most = f["quantity"], f["relation"] == "max"
    segment, event = f["segment"], f["event"]
    where = f" in segment {segment}" if segment is not None else _WHILE[f["phase"]]
    where += f" from {event}" if f["begins"] else ""
    how, level = ("at most", "at or below") if most else ("at least", "at or above")
    if q == "spread":
        within = {"load": "the load", "piece": "any one piece"}.get(f["scope"]) or shown(f["distance_mm"], "mm", system)
        return f"hottest minus coldest valid work TC within {within}{where} is {how} the limit"
    if q in ("heating_rate", "cooling_rate", "heating_rate_work", "cooling_rate_work"):
        whose = "the fastest work TC" if q.endswith("_work") else "the furnace"
        verb = "heats" if q.startswith("heating") else "cools"
        tail = f" in segment {segment}" if segment is not None else ""
        pace = "no faster than" if most else "no slower than"
        return f"{whose} {verb}{tail} {pace} the limit, over {f['window_min']:g} min"
    if q == "time_in_range":
        between = _bounds(f, system) or "in the range"
        return f"every work TC is {between}{where} for {how} the limit"
    stays = {
        "over_temperature": "every control, over-temperature and work TC stays", "pressure": "the pressure stays",
        "dew_point": "the dew point stays", "oxygen": "the oxygen stays",
    }  # fmt: skip
    texts = {
        "lead": f"furnace and work are apart{where} by {how} the limit",
        "event_work": f"at '{event}' the hottest valid work TC is {level} the limit",
        "start_control": f"the run starts with the furnace {level} the limit",
        "start_work": f"the run starts with the work {level} the limit",
        "place_tcs": f"{how} so many valid work TCs stand at '{event}' at every moment{where}",
        "pressure_to_cool": f"cooling{where} begins only with the pressure {level} the limit",
        "furnace_uniformity": "the furnace's class and its current uniformity surveys are within the limit",
        "gas": f"the gas is {event}, by the run's atmosphere and the notes of its backfills",
        "surface": f"the surface is {event}, by the notes of 'surface checked'",
        "work_tcs": f"{how} so many work TCs are valid at every moment{where}",
        "gap": "the recorder never leaves a longer gap",
        "leak_rate": "with the pumps shut off the pressure rises no faster than the limit",
        "soak": "",
    }
    return texts.get(q, f"{stays.get(q, q.replace('_', ' ') + ' stays')} {level} the limit{where}")


def _hold_edge(f: Figures, system: str) -> str:
    once = f["once_in"]
    return (
        f"{'once in the band of' if once else 'during'} hold {f['segment']} no {f['who']} "
        f"{'goes above' if f['upper'] else 'falls below'} {'it' if once else 'the band'}"
    )


def _soak(f: Figures, system: str) -> str:
    leaving = {"restart": "starts the count again", "pause": "pauses the count", "end": "ends the count"}
    most = "at least" if f["relation"] == "min" else "at most"
    return (
        f"{f['who']} stays inside the band of hold {f['segment']} for {most} the minutes asked; leaving it "
        f"{leaving[f['on_leaving']]}"
    )


def _segment_rate(f: Figures, system: str) -> str:
    whose = "the furnace" if f["of"] == "control" else "the fastest work TC"
    pace = "no faster than" if f["relation"] == "max" else "no slower than"
    verb = "heats" if f["kind"] == "heat" else "cools"
    return f"in segment {f['segment']} {whose} {verb} {pace} the limit, over {f['window_min']:g} min"


_CLAUSES: dict[str, Template] = {
    "limit": _limit,
    "segment_rate": _segment_rate,
    "target": lambda f, s: (
        f"every control TC comes to the target of segment {f['segment']}"
        + (" (the near edge of the band that follows)" if f["band"] else "")
    ),
    "segment_pressure": lambda f, s: (
        f"the pressure in segment {f['segment']} stays {'below' if f['relation'] == 'max' else 'above'} the limit"
    ),
    "hold_edge": _hold_edge,
    "soak": _soak,
}

# -- what a clause lacks that cannot be told ----------------------------------------------------------


def _no_tc_of_role(f: Figures, system: str) -> str:
    alone = f.get("furnace_min")
    return f"a valid {f['role']} TC" + (f" (the furnace alone was in the band for {alone:.0f} min)" if alone else "")


def _doubt(f: Figures, question: str, usual: str, other: str) -> str:
    """A question on which a verdict hangs. usual, other: what the run is called as it is seen, and another way."""
    left = from_dict(f["left"]) if f["left"] else None
    said = f"too little is left {other} ({words(left, 'si')})" if left else f"{other} {f['otherwise']}"
    return f"{question} {usual} {f['verdict']}, {said}"


def _trusted(f: Figures, system: str) -> str:
    names, one = " and ".join(f["channels"]), len(f["channels"]) == 1
    them = "it" if one else "them"
    return _doubt(f, f"{'is' if one else 'are'} {names} to be trusted?", f"with {them}", f"without {them}")


_PHASE = {"heating": "heating", "hold": "a hold", "cooling": "cooling"}
_LACKS: dict[str, Template] = {
    "no_reading": "no valid reading",
    "no_sample": "a sample",
    "no_two_samples": "two samples of any TC",
    "no_channel": lambda f, s: f"{'an' if f['quantity'] == 'oxygen' else 'a'} {f['quantity']} channel",
    "no_tc": "a valid TC",
    "no_tc_of_role": _no_tc_of_role,
    "no_tc_of_rate": "a valid TC of the kind whose rate is limited",
    "no_two_work_tcs": "two valid work TCs at the same moment (by piece or distance: with their places)",
    "no_control_with_work": "control TCs and valid work TCs together (where a work TC controls, lead cannot be told)",
    "no_tc_at_start": "a valid {role} TC at the start",
    "no_tc_at_event": "a valid work TC within {blind_min} before '{event}'",
    "place_not_recorded": lambda f, s: f"where {', '.join(f['channels'])} stood: no place is recorded",
    "no_stretch": "a stretch of {half_min:.3g} with valid readings to take the rate over",
    "segment_too_short": "a rate sure enough: the segment was shorter than {half_min:.3g}",
    "steps_or_noise": "a rate that the recorder's steps and noise could not make",
    "no_pressure_at_cooling": "a pressure reading as cooling began",
    "no_event": "no event '{event}' is recorded",
    "no_leak_events": "the events '{began}' and '{ended}' with three pressure samples between them",
    "gas_not_named": "which gas it was: neither the run's atmosphere nor the note of '{event}' names it",
    "surface_not_said": "the note of '{event}' does not say what was found",
    "no_survey": "no uniformity survey is recorded by that day",
    "no_survey_near": "a current uniformity survey near the hold's temperature",
    "survey_without_due": "until when the uniformity survey of {done_on} counts",
    "survey_without_temperature": "at which temperature the uniformity survey of {done_on} was made",
    "survey_without_spread": "how far the uniformity survey was apart",
    "no_piece": "no piece of the load is recorded, and the limit follows from the thickest section",
    "section_not_known": lambda f, s: (
        f"the thickest section of part {', '.join(f['parts'])}, from which the limit follows"
    ),
    "no_way_to_check": "a way to check '{quantity}'",
    "band_not_in_cycle": "a band stated by the cycle (band_low, band_high)",
    "none_in_band": "a TC that came into the band",
    "soak_never_began": lambda f, s: f"the soak of segment {', '.join(map(str, f['segments']))} never began",
    "never_came_to_phase": lambda f, s: f"the run never came to {_PHASE[f['phase']]} before judging ended",
    "never_came_to_segment": "the run never came to segment {segment}",
    "ends_before_segment": "the chart ends before segment {segment} began",
    "ends_before_target": "the chart ends before the furnace came there",
    "ends_before_hold": "the chart ends before the hold began",
    "ends_in_hold": "the chart ends before the hold does",
    "begins_while_heating": "the start: the chart begins while all of it was heating",
    "range_to_come": lambda f, s: (
        "the time after " + (f"'{f['event']}'" if f["event"] else "the chart's end")
        + ": the range was still to be passed"
    ),
    "unseen": lambda f, s: (
        f"kept as far as seen; {'no rate could be taken' if f['rate'] else 'nothing was seen'} for"
        f" {f['for_min']:.0f} min"
    ),
    "not_recorded": "what happened while nothing was recorded",
    "between_samples": "what happened between the recorder's samples: {seen_min:g} were seen, {most_min:gnumber} at "
    "most",
    "could_turn": "{verdict} by the reading alone; the uncertainty could turn it",
    "turned_back": "the furnace turned back before its target came: does the run go on?",
    "doubt_traded": lambda f, s: _doubt(
        f, f"have {' and '.join(f['channels'])} traded places?", "as recorded", "relabelled"
    ),
    "doubt_type": lambda f, s: _doubt(
        f, f"is {' and '.join(f['channels'])} a type {f['wire']} read as type {f['table']}?", "as recorded",
        "read again",
    ),
    "doubt_trusted": _trusted,
    "doubt_began": lambda f, s: _doubt(
        f, f"when did {f['channel']} begin to be at fault ({f['kind']})?", f"from {clock(f['from_s'])} on",
        f"from {clock(f['other_s'])} on",
    ),
}  # fmt: skip

# -- what is said of a judged run -----------------------------------------------------------------------


def _left_band(f: Figures, system: str) -> str:
    then = {"restart": "the count started again", "pause": "the count paused", "end": "the count ended"}[f["then"]]
    times = "once" if f["times"] == 1 else f"{f['times']} times"
    return f"soak {f['segment']}: {', '.join(f['channels'])} left the band {times}; {then}"


def _repaired(f: Figures, system: str) -> str:
    since, began = clock(f["from_s"]), f["began_s"]
    if began:
        since += f" (it began between {clock(began[0])} and {clock(began[1])})"
    if f["done"] == "relabelled":
        said = f"{f['channel']} and {f['other']} relabelled from {since}: each shows what was recorded on the other"
    elif f["done"] == "corrected" and f["kind"] == "wrong type":
        said = (
            f"{f['channel']} read again by the table of type {f['wire']}, its wires (it was read as type {f['table']})"
        )
    elif f["done"] == "corrected":
        said = f"{f['channel']} corrected from {since} by its calibration after the run ({f['kind']})"
    else:
        times = f", {f['times']} times" if f["times"] > 1 else ""
        said = f"{f['channel']}: left out from its fault on ({f['kind']}), from {since}{times}"
    return said + (", as a named person confirmed" if f.get("confirmed") else "")


_RUN: dict[str, Template] = {
    "without_cycle": "no cycle was asked of this run: segments are automatic, there is no verdict",
    "left_band": _left_band,
    "repaired": _repaired,
}

WORDS: dict[str, Template] = {**_EVIDENCE, **_NOTES, **_CLAUSES, **_LACKS, **_RUN, **mechanism_words.WORDS}
