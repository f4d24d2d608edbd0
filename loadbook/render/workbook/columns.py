"""The columns of the workbook's tables: what each is called, the unit it is shown in, what it means.

A column's key is its name in `loadbook sql`; `--keys` writes these in place of the headings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from loadbook.core import units
from loadbook.core.figures import scale_words, unit_words
from loadbook.queries.evidence_words import of_stored
from loadbook.render.book_units import in_units

from .file import Figure

Row = dict[str, Any]
# unit -> number format, of both systems
_FORMS = {
    "c": ("0.0", "0.0"), "c_diff": ("0.0", "0.0"), "c_per_h": ("0.0", "0.0"), "min": ("0.0", "0.0"), "kg": ("0", "0"),
    "mm": ("0.0000", "0.00000"), "um": ("0.0", "0.00"), "um per 100 mm": ("0.0", "0.0"), "share": ("0 %", "0 %"),
    "count": ("0", "0"),
}  # fmt: skip
OWN = "own"  # in the unit that stands in the row's column `unit`


@dataclass(frozen=True)
class Column:
    """A column of a table.

    key    its name in `loadbook sql`;  head  what people call it;  unit  that it is kept in, "share", "count" or OWN
    said   what it means, in words;  term  or the term of `explain` that says it
    wide   characters across;  total  its sum stands below;  mark  what is coloured in it (Workbook.sheet)
    screen to be read on a screen alone: the sheet prints without it
    """

    key: str
    head: str
    unit: str = ""
    said: str = ""
    term: str = ""
    wide: float = 10
    total: bool = False
    mark: str = ""
    screen: bool = False

    def heading(self, system: str) -> str:
        """The heading with its unit: 'Set rate, °C/h'."""
        if self.unit in ("", "count", OWN):
            return self.head
        return f"{self.head}, {'%' if self.unit == 'share' else scale_words(self.unit, system)}"

    def key_in(self, system: str) -> str:
        """The key, in the units of a system."""
        return in_units([self.key], [], system)[0][0]

    def form(self, system: str) -> str:
        """The number format."""
        return _FORMS[self.unit][system == "us"] if self.unit in _FORMS else ""

    def value(self, row: Row, system: str) -> Any:
        """A row's value as the book shows it."""
        value = row.get(self.key)
        if isinstance(value, str) and value[:1] == "[":  # a sentence as it is kept: its code and figures
            return of_stored(value, system)
        if value is None or not isinstance(value, (int, float)) or isinstance(value, bool) or value != value:
            return value
        if self.unit == OWN:
            unit = row.get("unit") or ""
            turned, _, digits = units.show(value, unit, system)
            if not unit:  # a count
                return Figure(round(turned, 9), "0" if float(turned).is_integer() else _readable(turned))
            known = unit in units.SHOWN[system]
            return Figure(round(turned, 9), "0." + "0" * digits if known else _readable(turned))
        return round(units.show(value, self.unit, system)[0], 9)


def _readable(value: float) -> str:
    """Number format of a figure in a unit of its own, by its size; the value itself stays whole."""
    size = abs(value)
    return "0" if size >= 1000 else "0.0" if size >= 10 else "0.00" if size >= 1 or not size else "0.000"


def _unit(unit: str, system: str) -> str:
    return unit_words(unit, system) if unit == "c_diff" else scale_words(unit, system)


def table(columns: Sequence[Column], rows: Sequence[Row], system: str, keys: bool) -> tuple[list[str], list[list[Any]]]:
    """(headings, rows) as a sheet takes them; where a row's unit stands beside its figures it is written out."""
    shown = [row | {"unit": _unit(row["unit"], system)} if row.get("unit") else row for row in rows]
    cells = [
        [c.value(row, system) if c.key != "unit" else worded.get("unit") for c in columns]
        for row, worded in zip(rows, shown, strict=True)
    ]
    return [c.key_in(system) if keys else c.heading(system) for c in columns], cells


_RATE, _ACHIEVED = "heating_rate_peak_c_per_h", "as the trace shows it, or a person stated it for a paper chart"
_SET = "as set at the furnace's program; what the cycle asks stands on the sheet Clauses"
RUNS = (
    Column("run", "Run", wide=10),
    Column("started", "Began", said="on the shop's clock", wide=17),
    Column("verdict", "Verdict", said="kept: every clause of the cycle; broken: at least one; cannot be told: "
           "something is missing; else why there is none. A kept cycle says nothing of the parts", wide=14,
           mark="verdict"),
    Column("customer", "Customer", said="of the job, else of the part", wide=15),
    Column("purchase_order", "Order", said="the customer's purchase order", wide=11),
    Column("part", "Part", wide=13),
    Column("pieces", "Pieces", "count", said="of all lines of the load", wide=8, total=True),
    Column("furnace", "Furnace", wide=9),
    Column("cycle", "Cycle", said="and its revision", wide=12),
    Column(f"asked_{_RATE}", "Set rate", "c_per_h", said=f"heating rate, peak, {_SET}", wide=9),
    Column(_RATE, "Achieved rate", "c_per_h", term=_RATE, wide=9),
    Column("asked_hold_mean_c", "Set hold", "c", said=f"temperature of the main hold, {_SET}", wide=10),
    Column("hold_mean_c", "Achieved hold", "c", term="hold_mean_c", wide=9),
    Column("asked_soak_minutes", "Set soak", "min", said=_SET, wide=9),
    Column("soak_minutes", "Achieved soak", "min", term="soak_minutes", wide=9),
    Column("clauses_broken", "Clauses broken", "count", said="see the sheet Clauses", wide=8, mark="some", total=True),
    Column("clauses_untold", "Clauses that cannot be told", "count", said="for want of what they need", wide=10),
    Column("most_of_tolerance", "Most moved, of tolerance", "share",
           said="the largest movement of the run, either way, as a share of its tolerance", wide=12, mark="share"),
    Column("left_tolerance", "Pieces that left tolerance", "count",
           said="inside their tolerance before the run and outside after it", wide=10, mark="some", total=True),
    Column("status", "Status", said="done, aborted or void", wide=9),
    Column("faults", "TC faults", "count", said="thermocouple faults, certain or suspected", wide=7, total=True),
    Column("setup", "Setup", term="setup", wide=11),
    Column("atmosphere", "Atmosphere", wide=11),
    Column("process", "Process", wide=13),
    Column(f"asked_{_RATE.replace('heating', 'cooling')}", "Set cooling", "c_per_h",
           said=f"cooling rate, peak, {_SET}", wide=9),
    Column(_RATE.replace("heating", "cooling"), "Achieved cooling", "c_per_h", term=_RATE.replace("heating", "cooling"),
           wide=9),
    Column("load_mass_kg", "Load", "kg", said="mass of the load", wide=8, total=True),
    Column("ended", "Ended", said="on the shop's clock", wide=17),
    Column("has_trace", "Trace", said="no: a paper chart", wide=7),
    Column("parameters_from", "Figures from", said=_ACHIEVED, wide=11),
    Column("operator", "Operator", wide=12),
    Column("note", "Note", wide=34),
)  # fmt: skip
CLAUSES = (
    Column("run", "Run", wide=9),
    Column("clause", "Clause", term="clause", wide=30),
    Column("verdict", "Verdict", said="of the clause", wide=14, mark="verdict"),
    Column("value", "Value", OWN, said="nearest to the limit, or beyond it", wide=9),
    Column("limit_value", "Limit", OWN, said="that the cycle states", wide=9),
    Column("unit", "Unit", said="of the value and the limit", wide=13),
    Column("channel", "Channel", said="the thermocouple that decided", wide=17),
    Column("worst_at", "Worst moment", said="on the shop's clock", wide=17),
    Column("missing", "What is missing", said="why it cannot be told", wide=52),
    Column("furnace", "Furnace", wide=8),
    Column("cycle", "Cycle", said="and its revision", wide=11),
    Column("text", "In words", said="the clause as a sentence", wide=150, screen=True),
    Column("without", "Verdict without", said="the clause's verdict without the thermocouple in doubt", wide=14,
           screen=True),
    Column("started", "Began", said="on the shop's clock", wide=17, screen=True),
)  # fmt: skip
MOVEMENT = (
    Column("run", "Run", wide=10),
    Column("customer", "Customer", said="of the job, else of the part", wide=14),
    Column("purchase_order", "Order", said="the customer's purchase order", wide=10),
    Column("job", "Job", wide=9),
    Column("part", "Part", wide=11),
    Column("serial", "Serial", wide=9),
    Column("characteristic", "Characteristic", term="characteristic", wide=16),
    Column("lower_mm", "Lower limit", OWN, said="of the drawing", wide=10),
    Column("upper_mm", "Upper limit", OWN, said="of the drawing", wide=10),
    Column("before_mm", "Before", OWN, said="mean of the readings before the run", wide=10),
    Column("after_mm", "After", OWN, said="mean of the readings after the run", wide=10),
    Column("unit", "Unit", said="of the limits and the readings", wide=7),
    Column("movement_mm", "Change", OWN, said="after minus before, in the unit beside it", wide=9),
    Column("movement_um", "Moved", "um", term="movement", wide=9),
    Column("movement_share_of_tolerance", "Moved, of tolerance", "share",
           said="movement over the width of the tolerance; below zero it shrank or got better", wide=11, mark="share"),
    Column("left_tolerance", "Left tolerance", said="inside before the run and outside after it", wide=10, mark="yes"),
    Column("below_gauge", "Below gauge", term="below gauge", wide=8),
    Column("set_aside", "Set aside, because", term="set aside", wide=16),
    Column("movement_um_per_100mm", "Moved, of size", "um per 100 mm",
           said="movement over the characteristic's reference length", wide=12, screen=True),
    Column("expanded_uncertainty_mm", "Uncertainty", "mm",
           said="of the movement, expanded (k = 2), from the gauges", wide=11, screen=True),
    Column("kind", "Kind", wide=16, screen=True),
    Column("nominal_mm", "Nominal", OWN, wide=10, screen=True),
    Column("setup", "Setup", term="setup", wide=10, screen=True),
    Column("atmosphere", "Atmosphere", wide=12, screen=True),
    Column("condition", "Condition", term="condition", wide=26, screen=True),
    Column("furnace", "Furnace", wide=9, screen=True),
    Column("process", "Process", wide=13, screen=True),
    Column("started", "Began", said="on the shop's clock", wide=17, screen=True),
    Column("gauge", "Gauge", wide=9, screen=True),
)  # fmt: skip
_MIXED = "in the unit of its row"
TREATMENTS = (
    Column("process", "Process", term="process", wide=13),
    Column("kind", "Kind", wide=17),
    Column("setup", "Setup", term="setup", wide=10),
    Column("atmosphere", "Atmosphere", wide=11),
    Column("side", "Side", said="inside or outside size, form, or another property", wide=8),
    Column("unit", "Unit", said="of the figures of the row: % is of the form error before", wide=19),
    Column("runs", "Runs", "count", wide=7),
    Column("pieces", "Pieces", "count", wide=7),
    Column("parts", "Part numbers", "count", wide=9),
    Column("median", "Median", OWN, said=f"of the pieces, {_MIXED}", wide=9),
    Column("low", "5 %", OWN, said="of the pieces moved less than this", wide=9),
    Column("high", "95 %", OWN, said="of the pieces moved less than this", wide=9),
    Column("mean", "Mean", OWN, said=f"of the runs' means, {_MIXED}", wide=9),
    Column("mean_low", "Mean, from", OWN, said="lower end of the mean's 95 % interval", wide=9),
    Column("mean_high", "Mean, to", OWN, said="upper end of the mean's 95 % interval", wide=9),
    Column("worst", "Worst", OWN, said="farthest from zero", wide=9),
    Column("over_tolerance", "Left tolerance", "share", said="share of the pieces that went from inside to outside",
           wide=10, mark="some"),
    Column("below_gauge", "Below gauge", "share", said="share of the pieces whose movement the gauge cannot tell",
           wide=8),
    Column("set_aside", "Set aside", "count", said="readings that gave no movement", wide=8, total=True),
)  # fmt: skip
ASIDE = (
    Column("set_aside", "Set aside, because", term="set aside", wide=34),
    Column("readings", "Readings", "count", wide=10, total=True),
)
ATTENTION = (
    Column("what", "What", wide=24),
    Column("run", "Run", wide=11),
    Column("customer", "Customer", wide=18),
    Column("purchase_order", "Order", wide=14),
    Column("subject", "Part, channel or furnace", wide=26),
    Column("why", "Why", wide=66),
    Column("stands", "Stands", said="open, or what was decided of the run last", wide=28),
)
