"""The intake kinds: every column with its meaning, type, unit and example, in one place.

`template`, the intake checks, `add`, `amend`, `show` and `explain` all read this table; the same names
are the columns of the book's tables.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from .scales import IN_NAMES

ColumnType = Literal["text", "number", "integer", "yesno", "moment", "date", "list"]

UNITS_IN_NAMES = {
    "length": ("mm", "um", "cm", "m", "in", "mil", "ft"),
    "temperature": ("c", "f", "k"),
    "difference": ("c", "f", "k"),
    "mass": ("kg", "g", "t", "lb"),
    "rate": ("c_per_h", "f_per_h", "k_per_h", "c_per_min", "f_per_min"),
}


@dataclass(frozen=True)
class Column:
    """One column of an intake kind.

    dimension  a key of units.DIMENSIONS where the name ends in a unit that the input may replace
    refers     (table, column) that the value must be found in
    choices    the only values allowed, where there are only some
    scales     scales that the name may end in, where the column has no unit of its own
    """

    name: str
    meaning: str
    example: str = ""
    type: ColumnType = "text"
    required: bool = False
    dimension: str | None = None
    refers: tuple[str, str] | None = None
    choices: tuple[str, ...] = ()
    default: str | None = None
    scales: tuple[str, ...] = ()
    least: float | None = None
    above: float | None = None

    @cached_property
    def stem(self) -> str:
        """The name without its unit."""
        if self.dimension is None:
            return self.name
        inside = UNITS_IN_NAMES[self.dimension][0]
        return self.name[: -len(inside) - 1]

    def spellings(self) -> Iterator[tuple[str, str | None]]:
        """Every header this column may have, with the unit that the header states."""
        if self.dimension is None:
            yield self.name, None
            yield from ((f"{self.name}_{scale}", scale) for scale in self.scales)
            return
        for unit in UNITS_IN_NAMES[self.dimension]:
            yield f"{self.stem}_{unit}", unit


@dataclass(frozen=True)
class Kind:
    """One intake kind: the file's name, the table it fills and the columns that make a row unique."""

    kind: str
    table: str
    title: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    @property
    def row_id(self) -> str:
        """The table's integer key."""
        return f"{self.table}_id"

    def column(self, name: str) -> Column | None:
        return next((c for c in self.columns if c.name == name), None)

    @property
    def required(self) -> list[str]:
        return [c.name for c in self.columns if c.required]


def _req(name: str, meaning: str, example: str, **more: object) -> Column:
    return Column(name, meaning, example, required=True, **more)  # type: ignore[arg-type]


def _mm(name: str, meaning: str, example: str = "", **more: object) -> Column:
    return Column(name, meaning, example, type="number", dimension="length", **more)  # type: ignore[arg-type]


def _c(name: str, meaning: str, example: str = "", **more: object) -> Column:
    return Column(name, meaning, example, type="number", dimension="temperature", **more)  # type: ignore[arg-type]


def _diff(name: str, meaning: str, example: str = "", **more: object) -> Column:
    return Column(name, meaning, example, type="number", dimension="difference", **more)  # type: ignore[arg-type]


def _num(name: str, meaning: str, example: str = "", **more: object) -> Column:
    return Column(name, meaning, example, type="number", **more)  # type: ignore[arg-type]


RUN = ("run", "run")
PART = ("part", "part")

CHARACTERISTIC_KINDS = (
    "outside diameter", "inside diameter", "length", "width", "thickness", "distance", "angle",
    "straightness", "flatness", "circularity", "cylindricity", "parallelism", "perpendicularity",
    "angularity", "circular runout", "total runout", "profile of a line", "profile of a surface", "hardness",
    "residual stress", "case depth", "decarburisation depth", "grain size", "retained austenite",
)  # fmt: skip
# what people type for a kind; a total indicator reading is of one place or along the whole length
KINDS_SAID: dict[str, tuple[str, ...]] = {
    "od": ("outside diameter",), "o.d.": ("outside diameter",), "id": ("inside diameter",),
    "i.d.": ("inside diameter",), "tir": ("circular runout", "total runout"), "roundness": ("circularity",),
    "runout": ("circular runout", "total runout"), "squareness": ("perpendicularity",),
    "diameter": ("outside diameter", "inside diameter"), "dia": ("outside diameter", "inside diameter"),
}  # fmt: skip
SIZE_KINDS = CHARACTERISTIC_KINDS[:6]
FORM_KINDS = CHARACTERISTIC_KINDS[7:18]
KEPT_ONLY_KINDS = CHARACTERISTIC_KINDS[18:]  # properties: they are kept, and compared, but they do not move
DEPTH_KINDS = ("case depth", "decarburisation depth")
OWN_UNIT_KINDS = ("angle", "hardness", "residual stress", "grain size", "retained austenite")  # never a length
ACCEPTED = ("accept", "approv", "pass", "release", "ok")  # how a decision begins that lets a piece go
SCALES = ("um", "um per 100 mm", "log")
CHECKS_SAID = {"tus": ("uniformity survey",), "sat": ("system accuracy",)}
CHECK_KINDS = ("uniformity survey", "system accuracy", "instrument", "over-temperature", "leak-up")
ROLES = ("control", "over-temperature", "work", "setpoint", "pressure", "dew point", "oxygen", "other")
HELD = ("free", "clamped", "on centres", "fixture")

KINDS: tuple[Kind, ...] = (
    Kind("materials", "material", "Materials and what is known of them", ("material",), (
        _req("material", "name of the material, as the shop writes it", "42CrMo4"),
        _req("family", "family it belongs to: low-alloy steel, tool steel, stainless steel, titanium, aluminium, ...", "low-alloy steel"),
        _num("cte_per_k", "mean linear expansion near {20 c}, per K", "12.3e-6", above=0),
        _num("conductivity_w_mk", "thermal conductivity, W/(m K)", "42", above=0),
        _num("density_kg_m3", "density, kg/m³", "7850", above=0),
        _num("specific_heat_j_kgk", "specific heat, J/(kg K)", "560", above=0),
        _c("max_soak_c", "hottest hold that does no harm", "680"),
        Column("reactive", "does it react with air, nitrogen or hydrogen when hot", "no", type="yesno"),
        *(_num(f"{e}_pct", f"{n}, mass %", x, least=0) for e, n, x in (
            ("c", "carbon", "0.41"), ("mn", "manganese", "0.75"), ("si", "silicon", "0.25"),
            ("ni", "nickel", ""), ("cr", "chromium", "1.05"), ("mo", "molybdenum", "0.2"))),
        _c("ac1_c", "start of austenite on heating, where measured or quoted", "735"),
        _num("dose_constant", "constant C of the time-temperature parameter; empty: dose undefined", "20", above=0),
        Column("source", "where the figures come from", "supplier's data sheet"),
    )),
    Kind("parts", "part", "Part numbers", ("part",), (
        _req("part", "part number", "PN-1001"),
        _req("material", "its material", "42CrMo4", refers=("material", "material")),
        Column("revision", "revision of the drawing", "B"),
        Column("description", "what it is", "spindle sleeve"),
        Column("shape", "its shape in one or two words: ring, plate, shaft, sleeve, housing, ...", "sleeve"),
        _mm("length_mm", "longest dimension", "420", above=0),
        _mm("section_thick_mm", "thickest section", "38", above=0),
        _mm("section_thin_mm", "thinnest section", "12", above=0),
        Column("mass_kg", "mass of one piece", "9.4", type="number", dimension="mass", above=0),
        Column("customer", "whose part it is", "Customer A"),
    )),
    Kind("characteristics", "characteristic", "Characteristics of parts that are measured", ("part", "characteristic"), (
        _req("part", "part number", "PN-1001", refers=PART),
        _req("characteristic", "name of the characteristic on this part", "bore A"),
        _req("kind", "what kind of characteristic it is", "inside diameter", choices=CHARACTERISTIC_KINDS),
        _mm("nominal_mm", "nominal value", "80"),
        _mm("lower_mm", "lower limit of the tolerance", "79.985"),
        _mm("upper_mm", "upper limit of the tolerance", "80.015"),
        _mm("reference_length_mm", "length that movement is related to (diameter, length, span)", "80", above=0),
        Column("unit", "unit of its readings where they are not lengths: deg, HRC, HRB, HV 10, HBW, MPa, ksi", ""),
        _num("nominal", "nominal value in that unit (angle, hardness, residual stress) instead of {nominal_mm|nominal_in}"),
        _num("lower", "lower limit in that unit"),
        _num("upper", "upper limit in that unit"),
        Column("method", "how it is measured: X-ray, hole drilling, Rockwell, micrograph, ...", ""),
        _mm("depth_mm", "depth below the surface at which it is measured", "", least=0),
        Column("direction", "direction in which a stress is measured: axial, hoop, along the grain, ...", ""),
        Column("scale", "working scale of movement: um, um per 100 mm, or log (form errors only)", "um", choices=SCALES, default="um"),
    )),
    Kind("jobs", "job", "Jobs", ("job",), (
        _req("job", "job number", "J-2041"),
        _req("customer", "who ordered it", "Customer A"),
        Column("purchase_order", "the customer's order number", "PO-77"),
        Column("quantity", "pieces ordered", "12", type="integer", above=0),
        Column("drawing_revision", "drawing revision on the order", "B"),
        Column("specification", "specification on the order", "HT-12"),
        Column("specification_revision", "its revision", "3"),
        Column("confidential", "is the job confidential", "no", type="yesno"),
        Column("export_controlled", "is it export controlled", "no", type="yesno"),
        Column("keep_until", "date until which the records must be kept", "2036-12-31", type="date"),
    )),
    Kind("furnaces", "furnace", "Furnaces", ("furnace",), (
        _req("furnace", "name of the furnace", "F2"),
        _req("atmosphere", "what it runs in: air, vacuum, nitrogen, argon, ...", "vacuum"),
        _diff("uniformity_c", "uniformity, plus or minus", "6", above=0),
        Column("zones", "number of control zones", "3", type="integer", above=0),
        _c("max_temp_c", "hottest it may run", "1100"),
        Column("working_zone", "working zone, as the survey names it", "900 x 600 x 600 mm"),
        Column("note", "anything else"),
    )),
    Kind("furnace_checks", "furnace_check", "Furnace checks", ("furnace", "kind", "done_on", "at_c"), (
        _req("furnace", "furnace checked", "F2", refers=("furnace", "furnace")),
        _req("kind", "which check", "uniformity survey", choices=CHECK_KINDS),
        _req("done_on", "date it was done", "2026-02-10", type="date"),
        _c("at_c", "temperature it was done at", "600"),
        Column("due_on", "date the next one is due", "2026-08-10", type="date"),
        _diff("worst_c", "worst deviation found", "4.2"),
        Column("passed", "did it pass", "yes", type="yesno"),
        Column("note", "anything else"),
    )),
    Kind("gauges", "gauge", "Gauges", ("gauge",), (
        _req("gauge", "name of the gauge", "G-07"),
        _req("kind", "what it is", "bore gauge"),
        _mm("resolution_mm", "smallest step it shows", "0.001", above=0),
        _mm("expanded_uncertainty_mm", "expanded uncertainty, k = 2", "0.003", least=0),
        _num("expansion_per_k", "linear expansion of its scale, per K", "11.5e-6", least=0),
        Column("calibrated_until", "date its calibration ends", "2027-01-31", type="date"),
    )),
    Kind("calibrations", "calibration", "Thermocouple calibrations", ("calibration", "at_c"), (
        _req("calibration", "name of the calibration (of a wire lot or one thermocouple)", "K-LOT-4"),
        _req("at_c", "temperature of this point", "600", type="number", dimension="temperature"),
        _req("correction_c", "what to add to the reading there", "-0.8", type="number", dimension="difference"),
        Column("calibrated_on", "date of the calibration", "2026-01-15", type="date"),
        Column("valid_until", "date it ends", "2027-01-15", type="date"),
    )),
    Kind("runs", "run", "Runs", ("run",), (
        _req("run", "name of the run", "R-2026-014"),
        _req("furnace", "furnace it was done in", "F2", refers=("furnace", "furnace")),
        Column("cycle", "cycle it was asked to follow (required; write '-' where there was none)", "SR-620", required=True),
        _req("started", "when it began", "2026-03-01T08:00", type="moment"),
        Column("ended", "when it ended", "2026-03-01T19:30", type="moment"),
        Column("cycle_revision", "revision of the cycle (needed where the book has several)", "B"),
        Column("setup", "how the pieces stood, where it is the same for all", "laid"),
        Column("atmosphere", "atmosphere, where it is not the furnace's usual one", "argon"),
        Column("load_mass_kg", "mass of the whole load", "310", type="number", dimension="mass", above=0),
        Column("operator", "who ran it", "operator 3"),
        Column("status", "how it went", "done", choices=("done", "aborted", "void"), default="done"),
        Column("repeats_run", "the run that this one repeats", "", refers=RUN),
        Column("note", "anything else"),
    )),
    Kind("pieces", "piece", "Pieces in a run", ("run", "part", "serial"), (
        _req("run", "run they went through", "R-2026-014", refers=RUN),
        _req("part", "part number", "PN-1001", refers=PART),
        _req("serial", "serial number, or the lot's name", "0007"),
        Column("job", "job they belong to", "J-2041", refers=("job", "job")),
        Column("heat_number", "heat number of the material", "H5521"),
        Column("quantity", "how many pieces, for a lot without serials", "1", type="integer", above=0, default="1"),
        Column("setup", "how the piece stood or hung: laid, hung, stood, racked, shimmed, fixtured", "laid"),
        Column("supports", "number of supports", "3", type="integer", least=0),
        _mm("span_mm", "span between supports", "300", above=0),
        Column("axis", "axis of the piece", "flat", choices=("upright", "flat")),
        Column("position", "where in the load", "lower left"),
        Column("machining", "how far it was machined: rough machined, semi-finished, finish machined", "rough machined"),
        Column("condition", "how it arrived, several with ';': from bar, forged, cast, welded, cold formed, straightened", "forged", type="list"),
        _mm("stock_mm", "stock left per side", "1.5", least=0),
        _c("tempered_at_c", "last tempering temperature", "640"),
    )),
    Kind("operations", "operation", "Operations on pieces, in order", ("part", "serial", "sequence"), (
        _req("part", "part number", "PN-1001", refers=PART),
        _req("serial", "serial number", "0007"),
        _req("sequence", "place in the order, counted up", "20", type="integer"),
        _req("operation", "run, machining, straightening, cleaning, blasting, plating, unclamping, ...", "machining"),
        Column("at", "when it was done", "2026-03-03T10:00", type="moment"),
        Column("run", "the run, where the operation is one", "", refers=RUN),
        _mm("stock_removed_mm", "stock removed per side", "0.5", least=0),
        _mm("straightened_mm", "how much was pressed out in straightening", "", least=0),
        Column("direction", "direction of the straightening: toward the mark, at 90 deg, ...", ""),
        Column("note", "anything else"),
    )),
    Kind("channels", "channel", "Recorder channels of a run", ("run", "channel"), (
        _req("run", "run", "R-2026-014", refers=RUN),
        _req("channel", "name of the channel in the recorder's file", "TC 3"),
        _req("role", "what it measures", "work", choices=ROLES),
        Column("unit", "unit the channel is recorded in, where the file does not say", "°C"),
        Column("zone", "control zone", "front"),
        Column("serial", "piece that the work TC is fixed to", "0007"),
        Column("place", "where on the piece: thick section, thin section, bore, flange, ...", "thick section"),
        Column("attachment", "welded, in a hole, clamped, in a dummy", "in a hole"),
        _mm("depth_mm", "how deep in the piece", "19", least=0),
        Column("tc_type", "thermocouple type", "K", choices=("K", "N", "J", "T", "E", "S", "R", "B", "C")),
        Column("calibration", "its calibration", "K-LOT-4"),
        _diff("expanded_uncertainty_c", "expanded uncertainty of the whole chain, k = 2", "2.6", least=0),
        _mm("x_mm", "place in the load, along", "100"),
        _mm("y_mm", "place in the load, across", "250"),
        _mm("z_mm", "place in the load, up", "80"),
        Column("uses", "how often this thermocouple had been used before", "4", type="integer", least=0),
        _c("hottest_c", "hottest it had been before", "650"),
    )),
    Kind("events", "event", "Events of a run", ("run", "at", "event"), (
        _req("run", "run", "R-2026-014", refers=RUN),
        _req("at", "when", "2026-03-01T17:40", type="moment"),
        _req("event", "gas backfill, fan on, door opened, thermocouples unplugged, aborted, power lost, ...", "door opened"),
        Column("note", "anything else"),
    )),
    Kind("parameters", "parameter", "Parameters stated by a person (paper charts) or asked by the program", ("run", "parameter", "source"), (
        _req("run", "run", "R-2026-014", refers=RUN),
        _req("parameter", "name of the parameter (loadbook explain lists them)", "heating_rate_peak_c_per_h"),
        _req("value", "its value", "95", type="number"),
        Column("unit", "unit of the value, where it is not the one in the name", "C/h"),
        Column("source", "stated (read off a chart) or asked (set at the program)", "stated", choices=("stated", "asked"), default="stated"),
        Column("note", "anything else"),
    )),
    Kind("readings", "reading", "Readings before and after", ("run", "part", "serial", "characteristic", "stage", "repeat"), (
        _req("part", "part number", "PN-1001", refers=PART),
        _req("serial", "serial number", "0007"),
        _req("characteristic", "characteristic measured", "bore A"),
        _req("stage", "before or after the run; or before_UNIT and after_UNIT side by side in its and the value's place",
             "before", choices=("before", "after")),
        _mm("value_mm", "the reading (sizes and forms)", "80.0042"),
        _num("value", "the reading in the characteristic's own unit (angle, hardness, stress) instead of {value_mm|value_in}",
             scales=IN_NAMES),
        Column("run", "run; may be left out where the serial went through one run only", "R-2026-014", refers=RUN),
        Column("gauge", "gauge used", "G-07", refers=("gauge", "gauge")),
        _c("piece_temp_c", "temperature of the piece", "22.5"),
        _c("gauge_temp_c", "temperature of the gauge", "21.8"),
        Column("already_at_20c", "is the reading already corrected to {20 c}", "no", type="yesno"),
        Column("held", "how the piece was held", "free", choices=HELD),
        Column("supports_at_mm", "where it was supported", "100;320"),
        Column("orientation", "how it was oriented", "mark up"),
        Column("datum", "datum used", "A-B"),
        Column("surface", "surface", "cleaned", choices=("as run", "cleaned")),
        Column("read_at", "when it was read", "2026-02-27T14:00", type="moment"),
        Column("inspector", "who read it", "inspector 2"),
        Column("repeat", "number of this reading among repeats", "1", type="integer", above=0, default="1"),
    )),
    Kind("approvals", "approval", "Approvals", ("run", "role", "person", "at", "first_article_of"), (
        _req("run", "run", "R-2026-014", refers=RUN),
        _req("role", "in which role", "metallurgist"),
        _req("person", "who", "initials AB"),
        _req("decision", "what was decided", "accepted"),
        _req("at", "when", "2026-03-02T09:00", type="moment"),
        Column("first_article_of", "part whose first piece by the run's cycle revision is decided on; empty: the load", "", refers=PART),
        Column("note", "anything else"),
    )),
    Kind("nonconformances", "nonconformance", "Nonconformances", ("run", "what", "serial"), (
        _req("run", "run", "R-2026-014", refers=RUN),
        _req("what", "what was wrong", "soak short by 12 min"),
        Column("serial", "piece, where it is one", "0007"),
        Column("disposition", "what was decided", "rerun"),
        Column("closed_on", "date it was closed", "2026-03-09", type="date"),
        Column("note", "anything else"),
    )),
    Kind("breaks", "history_break", "Declared breaks in the history", ("at", "what"), (
        _req("at", "date from which the history starts afresh", "2026-01-07", type="date"),
        _req("what", "what changed: new lining, new gauge, new supplier, ...", "F2 relined"),
        Column("furnace", "furnace it is about", "F2", refers=("furnace", "furnace")),
        Column("note", "anything else"),
    )),
)  # fmt: skip


def kinds_of(text: str) -> tuple[str, ...]:
    """The kinds of characteristic that a typed word means; any other word as it is, in small letters.

    >>> kinds_of("OD"), kinds_of("TIR"), kinds_of("Flatness")
    (('outside diameter',), ('circular runout', 'total runout'), ('flatness',))
    """
    word = text.strip().lower()
    return KINDS_SAID.get(word, (word,))


BY_KIND = {k.kind: k for k in KINDS}
BY_TABLE = {k.table: k for k in KINDS}
