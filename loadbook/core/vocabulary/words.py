"""The words of the vocabulary, as `explain` prints them."""

from __future__ import annotations

from .lookup import Term


def _word(name: str, definition: str, *, unit: str = "", source: str = "") -> Term:
    return Term(name, "word", definition, "", unit, source)


TERMS: tuple[Term, ...] = (
    _word(
        "book",
        "A folder holding one shop's records: one SQLite file (book.sqlite) and the traces as Parquet beside it.",
    ),
    _word(
        "job",
        "What a customer ordered: purchase order, quantity, drawing and specification revisions, confidentiality.",
    ),
    _word("part", "A design with a part number and revision. Its pieces are what goes through a furnace."),
    _word("piece", "One serial of a part (or a counted lot without serials) that goes through a furnace."),
    _word(
        "characteristic",
        "One dimension or form of a part that is measured. Size kinds: outside or inside diameter, length, width, "
        "thickness, distance, angle. Form kinds in the sense of ISO 1101 and ASME Y14.5: straightness, flatness, "
        "circularity, cylindricity, parallelism, perpendicularity, angularity, circular and total runout, profile. "
        "Also properties, which do not move but must be kept: hardness (on its own scale), residual stress, and what is "
        "read on a cut piece (case depth, decarburisation depth, grain size, retained austenite).",
        source="ISO 1101, ASME Y14.5",
    ),
    _word(
        "condition",
        "How a piece arrived: from bar, forged, cast, welded, cold formed, straightened; how far it was machined; "
        "its last tempering temperature; the stock left per side.",
    ),
    _word(
        "operation",
        "Anything done to a piece in order: a run, machining, straightening, cleaning, blasting, plating, unclamping.",
    ),
    _word("furnace", "A vessel with an atmosphere, a uniformity class, control zones and a working zone."),
    _word(
        "furnace check",
        "A test of a furnace that is due again after a time: uniformity survey (TUS), system accuracy test (SAT), "
        "instrument calibration, over-temperature test, leak-up. A run is judged with the checks that were current on its "
        "day; one that failed or is past due stands beside its verdict.",
        source="SAE AMS2750 (pyrometry) names surveys and tests; common practice elsewhere",
    ),
    _word(
        "cycle",
        "A written thermal cycle: its segments (heat, hold, cool; each with its atmosphere or pressure) and its limits. "
        "A cycle in the book is never edited: a change is a new revision.",
    ),
    _word("segment", "One step of a cycle: heat to a target, hold it, or cool to a target."),
    _word(
        "low hold check",
        "While the run can still be stopped: each work TC against the faults that its trace so far shows, its peers, its "
        "place's past in this furnace, and the furnace. It is made at holds whose purpose names thermocouples (with "
        "--any-hold at every one). It advises, and is not an alarm or interlock.",
    ),
    _word(
        "forecast",
        "When a run will be soaked and done: the furnace by its program at the rates it was set to, each work TC by the "
        "rate at which it takes up heat, and how long loads of this mass, section and racking lagged in earlier runs by "
        "this program. How these differed from such a forecast at the same distance moves it and gives its interval, "
        "which holds nine times in ten; fewer than five of them give none. Before the run starts the lags alone tell "
        "(precheck). It is no promise.",
    ),
    _word(
        "process",
        "What a cycle is for: stress relief, anneal, harden, temper, age. Figures of different processes are never pooled.",
    ),
    _word("run", "One load taken through one cycle in one furnace on one date."),
    _word(
        "setup",
        "How a piece stood or hung: laid, hung, stood, racked, shimmed, fixtured; its supports and span; axis upright "
        "or flat; its position in the load.",
    ),
    _word(
        "control TC",
        "The thermocouple that the furnace regulates by, one per control zone. Where a work TC controls, the record says "
        "so and lead cannot be told.",
    ),
    _word("over-temperature TC", "The independent high-limit thermocouple."),
    _word(
        "work TC",
        "A thermocouple fixed to a piece (also called part or contact TC): where (thick section, bore, flange, ...), how "
        "attached (welded, in a hole, clamped, in a dummy), how deep.",
    ),
    _word("trace", "What the recorder kept for one run: time and every channel, temperature or other."),
    _word(
        "pack",
        "The trace files of one old month, put together into one file by loadbook pack. Each stands in it as it was written.",
    ),
    _word(
        "event",
        "Something done at a moment of a run: gas backfill, fan on, door opened, thermocouples unplugged, aborted, power "
        "lost. Judging ends at door opened (unless door closed follows) or thermocouples unplugged.",
    ),
    _word(
        "spread",
        "Hottest minus coldest valid work TC at the same moment: within the load, within one piece, or within a stated "
        "distance; each is named. It is a difference: {40 °C apart is 40 K|250 °F apart has no 32 to take off}.",
        unit="c_diff",
    ),
    _word(
        "lead",
        "While heating, hottest control zone minus coldest valid work TC (the furnace is ahead of the work); while "
        "cooling, hottest valid work TC minus coldest control zone. A difference.",
        unit="c_diff",
    ),
    _word(
        "rate",
        "Slope of temperature over a stated window (15 min where none is stated), by least squares. Unqualified: of the "
        "control TC; with _work: of the fastest valid work TC.",
        unit="c_per_h",
    ),
    _word(
        "asked",
        "A parameter as the cycle or the program set it, beside what the trace shows was achieved. Forecasts use what was "
        "asked; judging uses what was achieved. Where both are on record, judge and the page of a run show both, and a "
        "column asked_... of SQL, a report or a workbook holds the program's.",
    ),
    _word("achieved", "A parameter as the trace shows it. See asked."),
    _word(
        "soak",
        "The time during which every valid work TC is inside the band, whose two edges the cycle states; it starts when the "
        "last one enters. The cycle says whether leaving the band restarts, pauses or ends it. Without work TCs there is "
        "only a furnace soak, and a furnace soak says nothing about the middle of a thick section.",
    ),
    _word(
        "dose",
        "The time-temperature exposure as a Hollomon-Jaffe parameter, for steels with a known constant; per run (loadbook "
        "judge) and over a piece's whole route (loadbook show piece, loadbook page piece). See dose_hj.",
        source="Hollomon and Jaffe 1945",
    ),
    _word(
        "clause",
        "One checkable sentence of a cycle, such as: heat at no more than {110 c_per_h}. A run keeps it, breaks it, or it cannot "
        "be told from the trace.",
    ),
    _word(
        "reading",
        "One measured value of one characteristic of one piece at one stage (before or after), with its gauge and how the "
        "piece was held.",
    ),
    _word(
        "movement",
        "After minus before, where one run is the only operation between the two readings and both were taken in the same "
        "way. Positive: grew, or got worse. In {mm, in µm per 100 mm|thousandths, in 0.0001 in per 10 in} "
        "of the reference length, in % of the form error before, and as a share of the tolerance. "
        "Anything else is set aside, with the reason.\n"
        "Form and angle are never corrected for temperature. Size is corrected to {20 c} by the difference of the piece's "
        "and the gauge's expansion, and not where the reading says that it is at {20 c} already; without the temperatures it "
        "is taken as given and marked so.",
        source="ISO 1 (reference temperature {20 c})",
    ),
    _word(
        "set aside",
        "A reading that gives no movement: no before or no after reading, another operation between the two, held, oriented "
        "or cleaned differently. It is kept and counted, with its reason, never dropped silently and never a zero.",
    ),
    _word("treatment", "What was done to the pieces, described by any set of run parameters, setup and atmosphere."),
    _word(
        "parameter",
        "One number that describes a run: measured from the trace, asked by the cycle, or stated by a person for a paper "
        "chart. It always says which.",
    ),
    _word(
        "answer",
        "A recorded reply to: how much will it move? The question, the interval, the evidence, the advice and the date; it "
        "is scored later against what happened.",
    ),
    _word("amendment", "A correction: the old value stays, with who, when and why."),
    _word(
        "range of the evidence",
        "The lowest and the highest setting that was ever run, of the runs that a figure rests on. Inside it a figure is "
        "history; outside it nothing is known, and an answer says so. Charts shade it.",
    ),
    _word(
        "pooled line",
        "The straight line through all part numbers thrown together. It mixes what a setting does with which part numbers "
        "were run at it: delicate parts that always got slow ramps make slow ramps look harmful. Charts draw it as a "
        "warning; the effect is the line inside part numbers.",
    ),
    _word(
        "below gauge",
        "A movement smaller than its own expanded uncertainty: the gauge cannot tell it from none.",
        source="JCGM 100:2008 (expanded uncertainty, k = 2)",
    ),
    _word(
        "chain",
        "The digest chain over intakes and amendments. Each adds a link: the SHA-256 of what it put in, joined to the link "
        "before. verify recomputes it and finds every later edit made around the triggers, unless whoever made it "
        "recomputed the whole chain: keep the head that verify prints somewhere else.",
    ),
    _word(
        "units",
        "Inside: degrees Celsius, their differences, degrees Celsius per hour, millimetres, seconds, UTC; shown in the units "
        "that the book was made with. A column may carry another unit in its name (value_in, at_f). "
        "What was typed is kept beside what was stored. A temperature and a temperature difference are different "
        "quantities.",
        source="NIST SP 811 (factors)",
    ),
    _word(
        "plant",
        "One shop of a group, whose book is published with those of the others to one target. Each plant has furnaces, gauges "
        "and habits of its own: its runs, furnaces, cycles and gauges have its name before them (Linz/R24-002), and plant is a "
        "grouping of the statistics as the part number is.",
    ),
    _word(
        "publication",
        "What a plant's book put into a group's target at one time: tables and traces as Parquet files, named with their "
        "digests in lists by month, and these in a manifest. It counts for readers when all of it is there; the one before "
        "stays readable until then. "
        "Customers, people and free notes are left out unless asked for, and of confidential and export-controlled jobs "
        "everything but counts: their pieces, the runs that held them, and what refers to these. A text in the shop's own "
        "words goes as a number. A text that names something withheld, a customer or a person stops the publication.",
    ),
)
