"""Terms: the kinds of sensor fault that a trace can show, as `explain` prints them."""

from __future__ import annotations

from .lookup import Term

TERMS = (
    Term(
        "open",
        "fault",
        "An open circuit: samples that are missing, that the recorder wrote as an open circuit, or that lie outside "
        "the range of the sensor's type, with the few samples of the jump on the way there. The only fault that is "
        "certain: these samples have no value to judge by. All breaks of a channel are one line, with their number: a loose "
        "jack rather than many accidents. Moments at which no channel has a sample are gaps of the recorder, not faults.",
        source="common practice",
    ),
    Term(
        "frozen",
        "fault",
        "A channel unchanged to the recorder's resolution for ten minutes or more while its peers move by more than "
        "ten resolutions; or one that flickers about one value, within its noise, for half an hour or more while they move "
        "by {60 c_diff}. A thick section may honestly stand still (cold at the start, at the turn from heating to "
        "cooling, at the hold), so one of two things must hold as well: it came in moving and stopped dead, or its own "
        "earlier rate towards the furnace says that it should have moved.",
        formula="stopped dead: slope before x duration / 4 > 3 resolutions; should have moved: "
        "0.5 x k x sum of (furnace - reading) dt, k = median of (dT/dt) / (furnace - T)",
        unit="c",
        source="common practice; lag of a body: first-order heat balance",
    ),
    Term(
        "step",
        "fault",
        "A jump between two samples that is larger than the channel's slopes on either side allow, with no return within "
        "minutes: a slipped or re-made connection, a changed reference junction. A jump that all channels make "
        "together is the recorder's and is not one sensor's fault.",
        formula="jump beyond both side lines > the greatest of {4 c_diff}, 7 x noise, 3 resolutions, 2 x slope x interval, "
        "2.5 x the change to either next sample",
        unit="c_diff",
        source="common practice",
    ),
    Term(
        "noisy",
        "fault",
        "A channel whose samples scatter about the line between their neighbours many times more than its peers' do, "
        "in blocks of ten minutes, to and fro; one glitch or a bend (a gas quench) makes no noisy block. A control TC, "
        "which shows a controller that switches, is compared with control TCs only; without two peers nothing is said.",
        formula="scatter > 5 x the median scatter of the peers, > {1.5 c_diff} and > 2.5 resolutions",
        unit="c_diff",
        source="common practice",
    ),
    Term(
        "spike",
        "fault",
        "One or two samples that stand alone, so far from their neighbours that no body in a furnace could go there and "
        "come back, while no other channel moves: a disturbance on the line or a loose contact. Of a recorder slower than "
        "90 s nothing is said: what it shows may be real. Confirmed, these samples are left out and nothing else.",
        formula="height above both neighbours > the greatest of 12 °C, 10 x noise, 3 resolutions; back to within a quarter",
        unit="c_diff",
        source="common practice",
    ),
    Term(
        "detached",
        "fault",
        "A work TC that has come off its piece: it leaves its own earlier place between its peers and the furnace and "
        "then follows the furnace. Honest thin sections sit near the furnace all the way and thick ones lag all the "
        "way, so the change is the evidence, never the place. At the hold, where piece and furnace are equally hot, it "
        "cannot be seen; it then shows when the load is heated or cooled again, and the finding says so. Loose from the "
        "start, it shows no earlier place, but two speeds: a share of the furnace's movement at once, the rest slowly. One that "
        "stood with its peers at the hold and then fell {60 c_diff} and more below them has left its place too. What stood "
        "still before and only caught up (wet parts, steel that transforms), passed all that heats it and came back (resin "
        "that cures), or later takes no share of the furnace's movement at once, is a section and not suspected. A confirmed one is left out from its moment on.",
        formula="over 5, 10 and 15 min, all forecasts beaten by {4 c_diff} and 15 % of the distance to the furnace (cooling: by more): own largest k = change / integral of (furnace - reading) dt so far, and k and "
        "gap of the line of change over distance (a cold place keeps a gap), each times what k of the three peers with "
        "the nearest k rose by; own distance to the furnace before, times what theirs changed by (a single work TC: own k alone, raised as "
        "radiation raises it, and beaten by half as much again). Nothing is said where "
        "the furnace falls three times faster than before, nor across a recorded 'gas backfill' or 'fan on'. After a hold: "
        "time constant below 0.68 (0.51 where it is still over 18 min) of what the nearest peers' change leaves",
        unit="c_diff",
        source="first-order heat balance; common practice",
    ),
    Term(
        "reversed",
        "fault",
        "A thermocouple connected with its polarity reversed: it reads lower as the furnace gets hotter.",
        formula="falls by {20 c_diff} and by a fifth of what its peers rise",
        unit="c_diff",
        source="common practice",
    ),
    Term(
        "swapped",
        "fault",
        "Two channels that have traded places: from one moment on each continues the other's line, or a control channel "
        "lags behind a work channel that leads it all the way. Confirmed, the two are relabelled from its beginning: "
        "nothing is lost.",
        source="common practice",
    ),
    Term(
        "wrong type",
        "fault",
        "A thermocouple read as another type: an error of scale that grows with temperature, small when cold, so that "
        "at the hold the channel stands above the furnace, or far below it, in proportion all the way. Where two types' "
        "tables explain it, they are named, and a confirmed one is read again by the table of its wires; the reference "
        "junction and the wires' class are then added to its uncertainty. Else it is left out. One that leaves its range "
        "before the hold is told by its way there; one that stands cold and that no table explains is taken for a cold "
        "place, unless it is far below all of them and known well.",
        formula="scale = (where it comes to rest - start) / (peers - start), above 1.04 (and {12 c_diff} above everything that heats "
        "it) or below 0.96 (and {31 c_diff} below its peers: the widest class of furnace uniformity is {28 c_diff})",
        source="IEC 60584-1 and NIST Monograph 175 give what each type reads as another",
    ),
    Term(
        "shorted",
        "fault",
        "A thermocouple shorted in its lead: the two wires touch outside the furnace and the channel reads the "
        "temperature there, far below its piece and hardly moved by the furnace.",
        formula="rise from the start < 0.4 x the rise of the peers, and not on its way; or a fall of {30 c_diff} within ten minutes "
        "while everything about it is {30 c_diff} hotter",
        unit="c_diff",
        source="common practice",
    ),
    Term(
        "drifting",
        "fault",
        "A channel whose offset from its peers at the hold is beyond its class and its calibration, or grows through "
        "the hold. Reported only: a real cold place looks the same, so it is never left out before a person confirms it. "
        "The likelier cause is said: the sensor, where it moves on while the furnace stands or is hotter than all that "
        "heats it, else its place. Where a second thermocouple of the piece agrees, nothing is reported; where much of the "
        "load stands apart, one line says so. It counts from its beginning, which is a range: not there yet, and there. "
        "Confirmed, it is corrected where the thermocouple was calibrated after the run, else left out.",
        formula="|offset of where it comes to rest| - its standard error > the lesser of 1.41 x class limit (or recorded "
        "uncertainty) and the greater of {5 c_diff} and 3.5 x the peers' scatter; 0.6 of it where it moves away by {1.2 c_diff}",
        unit="c_diff",
        source="IEC 60584-1 and ASTM E230 (class limits); common practice",
    ),
)
