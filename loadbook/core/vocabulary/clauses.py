"""Clauses and rules: what each one asks, how it is decided, and where it comes from.

`loadbook explain` prints these; documentation and help take their words from here.
"""

from __future__ import annotations

from .lookup import Term

# Uniformity classes: number -> (plus or minus in °C, plus or minus in °F). The two editions state their own
# figures; neither is the other's conversion. SAE AMS2750 (wording of revision F). Data that a cycle may name.
UNIFORMITY_CLASSES: dict[int, tuple[int, int]] = {
    1: (3, 5), 2: (6, 10), 3: (8, 15), 4: (10, 20), 5: (14, 25), 6: (28, 50),
}  # fmt: skip

_COMMON = "common practice"
_LS = "ordinary least squares; common practice"


def _c(name: str, unit: str, definition: str, formula: str = "", source: str = _COMMON) -> Term:
    return Term(f"clause {name}", "clause", definition, formula, unit, source)


def _r(name: str, definition: str, formula: str = "", source: str = _COMMON) -> Term:
    return Term(f"rule {name}", "rule", definition, formula, "", source)


CLAUSES: tuple[Term, ...] = (
    _c("rate", "c_per_h",
       "A segment heats or cools no faster (or no slower) than its limit. The rate is the least-squares slope over the "
       "clause's window (15 min where it states none), of samples of this segment and of the temperature range in "
       "which the limit binds, and only where samples fill the window. Several control TCs: the fastest for a fastest "
       "rate, the slowest for a slowest; `rate_of = \"work\"`: the fastest valid work TC. Where two programs go the same "
       "way, a control TC short of the first target is still in the first one. A pace that is beyond its limit in the "
       "first window does not count if it is within it by that window's end: a slowest rate while the furnace gets going, "
       "a fastest one where a faster program went before (and was never faster than that one allows). A segment shorter "
       "than half the window has the slope over all of it, and cannot be told where its standard error could turn it.",
       "sum (t - t')(T - T') / sum (t - t')^2", _LS),
    _c("allowance to slow", "c_per_h",
       "`may_slow_below` in a cool (`may_slow_above` in a heat): the slowest rate binds only on the other side of that "
       "temperature of each control TC; a furnace that cools naturally below it breaks nothing."),
    _c("target", "c",
       "Every control TC comes to the target of a heat or cool; where a hold with a band follows, to the near edge of "
       "its band. The segment ends where the program goes on; a slower zone may come to its target in the next segments "
       "of the same direction, by the end of the first hold at the latest. Where the chart ends before that, and no door "
       "was opened and no thermocouple unplugged, it cannot be told."),
    _c("upper edge", "c", "During the hold no work TC (`soak_by = \"furnace\"`: no control TC) goes above the band. "
       "After a cooling it binds each of them from where it has come in and stays in for five minutes."),
    _c("lower edge", "c",
       "In a hold without minutes: a TC that came into the band does not fall below it. In a hold with minutes this is "
       "the soak's matter: the cycle says what leaving the band does to it."),
    _c("soak", "min",
       "Every valid work TC stays inside the band (both edges) for the minutes asked; it starts when the last one "
       "enters, and leaving restarts, pauses or ends it, as the cycle says (less than five minutes in the band before the first "
       "leaving is coming in, and ends nothing). The moment of a short soak is the one at "
       "which the band was first left, if leaving it is what cut it short, else at which the counted soak ended. Without work TCs "
       "it cannot be told, and the furnace's own time in the band is said; nor can it where the chart ends before the hold "
       "does, or where what nobody saw could have been enough. Of two holds at one temperature the first lasts until its soak was done."),
    _c("spread", "c_diff",
       "Hottest minus coldest valid work TC at the same moment: within the load, within any one piece that carries two, "
       "or between any two whose places (x, y, z) are no further apart than a stated distance. Fewer valid work TCs "
       "than the cycle asks: not known at that moment. `from = \"soak start\"`: in holds only from the moment on at which "
       "all that must soak are in the band; a soak that never began leaves it open.", "max T - min T"),
    _c("lead", "c_diff",
       "Heating and holds: hottest control TC minus coldest valid work TC. Cooling: hottest valid work TC minus coldest "
       "control TC. Where a work TC controls, it cannot be told."),
    _c("over-temperature", "c", "No control, over-temperature or work TC reads above the limit while judging lasts."),
    _c("start temperature", "c", "The hottest control TC (or work TC) at the first sample at which one is valid."),
    _c("temperature at an event", "c",
       "The hottest valid work TC at the last sample at or before the event (gas backfill, door opened, ...). An event "
       "that is not recorded cannot be told, nor one after the chart's end, unless the work was cool enough by then."),
    _c("time in range", "min",
       "The work TC that is longest (for a least time: shortest) between two temperatures, straight lines between its "
       "samples: time in the sensitising or embrittling range. Where judging ends with the range still to be passed, it "
       "cannot be told."),
    _c("TCs at a place", "",
       "At every moment at least so many valid work TCs whose recorded place holds the words asked. With none there, and "
       "places not recorded, it cannot be told."),
    _c("pressure to cool", "mbar",
       "The pressure at the last sample before each cooling begins: at most (or at least) the limit."),
    _c("gas", "",
       "The run's own atmosphere and the notes of its 'gas backfill' events name the gas asked, and no other. Named "
       "nowhere, it cannot be told."),
    _c("surface", "",
       "Each note of the event 'surface checked' begins with one of the words asked (bright, straw, ...). Without the "
       "event it cannot be told. It is what a person saw: loadbook sees no surface."),
    _c("furnace class", "c_diff",
       "The furnace's class and the worst figure of its current uniformity surveys are within the limit; the latest has not "
       "failed, and one was current on the run's day and near the temperature of the main hold and of those after it: within 83 °C (150 °F), or "
       "between two that are at most 333 °C (600 °F) apart. Without such a survey it cannot be told.", "",
       "SAE AMS2750 (wording of revision F), as the cycle states it"),
    _c("pressure", "mbar", "The highest (or lowest) pressure of any pressure channel in the phase or segment."),
    _c("leak-up", "mbar_per_h",
       "Rise of the pressure between the events 'leak-up started' and 'leak-up ended': least-squares slope, the worst of "
       "them.", "", _LS),
    _c("dew point", "c", "The highest dew point recorded in the phase."),
    _c("oxygen", "", "The most oxygen recorded in the phase, in the recorder's own unit."),
    _c("work TCs", "", "At every moment at least so many work TCs are valid. Figures over the work that rest on fewer are "
                       "not known."),
    _c("longest gap", "s",
       "The longest time between two samples at which any TC was read. It is also the longest stretch that may go "
       "unseen before a clause that looks kept cannot be told (15 min where the cycle states none)."),
)  # fmt: skip

RULES: tuple[Term, ...] = (
    _r("no hidden tolerance",
       "A value beyond its limit by anything is a breach, a value on it is none. Nothing is rounded before comparing."),
    _r("cannot be told",
       "A clause that was not seen broken, where what it needs is missing, was not recorded, or rests on a suspected "
       "thermocouple. It names what is missing."),
    _r("suspected thermocouples",
       "Each clause is decided with all channels, with each suspected one put right (two that traded places relabelled, a "
       "wrong type read again) or else left out during its fault, and with all of them so. Where a verdict differs, or too few work TCs remain, the clause cannot be told until a named person has "
       "confirmed or refused the fault (loadbook confirm fault). Confirmed: put right, or left out, from its "
       "beginning on; where a verdict hangs on when that was, it cannot be told. Refused: counted in full. A fault never "
       "deletes a finding: the figures stay. An open circuit is left out outright; drift is said, and left out only where "
       "it is confirmed."),
    _r("uncertainty beside a verdict",
       "The expanded uncertainty (k = 2) of the channels, as far as recorded, for a difference the root sum of squares, "
       "for a rate twice the slope's standard error, for a soak what it gains or loses with a narrower or wider band. "
       "Within guard factor x uncertainty of the limit a verdict is marked as one that could turn. The mark never "
       "changes a verdict; where the book's setting guard_decides is yes, such a clause cannot be told.",
       "|value - limit| <= guard_factor x U", "the thinking of ISO 14253-1 and JCGM 106"),
    _r("judging ends", "Nothing after the door was opened or the thermocouples were unplugged is judged. A door opened to load, "
       "before the work is {30 c_diff} hotter than at its start, ends nothing, nor does one with an event 'door closed' after "
       "it and half an hour of the chart still to come. Where the chart ends with neither, what came "
       "after is not known: a target still to come, or a soak still to last, cannot be told."),
    _r("cycle kept", "Judging says that the cycle was kept, never that parts are acceptable: that takes a recorded "
                     "approval by a named person."),
    _r("rate by section",
       "A rate limit that follows from the thickest section of the load: never above its cap, never below its floor. The "
       "figures are the shop's own or a code's, as printed in the edition used: US and metric figures are not converted.",
       "value / (thickness / per)", "entered by the user, such as ASME BPVC VIII-1 UCS-56(e)"),
    _r("soak by section",
       "A soak that follows from the thickest section: value per `per` of thickness up to the knee, then `beyond` for "
       "each further one; at least the floor. Rounding is said: by proportion, or per `per` or fraction of it (up).",
       "value x thickness / per", "entered by the user, such as ASME BPVC VIII-1 Table UCS-56"),
    _r("uniformity class",
       "A band by class instead of by its edges: " + ", ".join(
           f"class {n} ±{{{c} °C|{f} °F}}" for n, (c, f) in UNIFORMITY_CLASSES.items()) + ".",
       "", "SAE AMS2750 (wording of revision F)"),
    _r("review of a cycle",
       "loadbook cycle review reads a cycle by a list of small checks: what it does not say (start, ramps, bands, spread, "
       "lead, low hold, backfill, door, pressure, work TCs, gap), where it contradicts itself, and what it would do to a "
       "part (tempering, Ac1, carbides, embrittlement, aluminium tempers, plating, titanium, volatile metals, soak). Each "
       "remark says why and by which source."),
    _r("Ac1 by composition",
       "Start of austenite on heating, by a formula in degrees Celsius; good to some tens of degrees.",
       "723 - 10.7 Mn - 16.9 Ni + 29.1 Si + 16.9 Cr + 290 As + 6.38 W", "Andrews, JISI 203 (1965) 721-727"),
    _r("plan of a cycle",
       "loadbook cycle plan integrates conduction through the thick and the thin section (slab, cylinder or sphere; finite "
       "volumes, Crank-Nicolson) with the furnace following the program and heat entering by radiation and convection. "
       "The heating rate is the fastest one at which the surface is never further ahead of the middle than the stated "
       "limit (and the thin section of the thick one, where stated). A hold lasts until the middle was in the band for "
       "the minutes asked. The settled formula stands beside it. A ring or bar is heated from all four sides of its "
       "section: the other side follows from a ring's mass and diameter, or is stated (--section). Loads and spreads are "
       "those on record, without runs whose thermocouples are suspected. See check of mechanism.",
       "settled lag: r L^2 / (2 a) slab, / (4 a) cylinder, / (6 a) sphere",
       "Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. (1959)"),
)  # fmt: skip

TERMS: tuple[Term, ...] = CLAUSES + RULES
