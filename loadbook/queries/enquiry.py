"""What an enquiry is about: a part on record, or a new one described; and how it is to be treated."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from loadbook.core import units
from loadbook.core.errors import NotFoundError, UsageError
from loadbook.core.phrases import did_you_mean, few
from loadbook.core.vocabulary.intake_kinds import CHARACTERISTIC_KINDS, SCALES, kinds_of
from loadbook.core.vocabulary.parameter_names import celsius_of, parameter_of, spoken
from loadbook.core.vocabulary.parameters import PLANNED


@dataclass(frozen=True)
class Question:
    """An enquiry as it was put; kept with a saved answer.

    part, characteristic      of a part on record; else material, shape, condition, kind, size_mm, section_mm
    settings                  plannable parameter -> planned value;  cycle, cycle_revision where a cycle gives them
    on                        day asked about (ISO date); None: the day of the last comparable run
    before_mm                 reading before the run;  tolerance_mm  instead of the drawing's: a form error's limit, or
                              the width of a size's limits
    """

    part: str | None = None
    characteristic: str | None = None
    material: str | None = None
    shape: str | None = None
    condition: str | None = None
    kind: str | None = None
    size_mm: float | None = None
    section_mm: float | None = None
    scale: str | None = None
    cycle: str | None = None
    cycle_revision: str | None = None
    settings: Mapping[str, float] = field(default_factory=dict)
    setup: str | None = None
    atmosphere: str | None = None
    process: str | None = None
    furnace: str | None = None
    plant: str | None = None
    on: str | None = None
    before_mm: float | None = None
    tolerance_mm: float | None = None
    content: float = 0.90
    job: str | None = None


@dataclass(frozen=True)
class Subject:
    """The part and characteristic asked about, as far as known.

    usual_of  (run, serial) of the part's newest piece, whose condition, machining and stock are taken as usual
    """

    part: str | None
    characteristic: str | None
    kind: str
    scale: str
    unit: str
    reference_length_mm: float | None
    material: str | None
    family: str | None
    reactive: bool | None
    shape: str | None
    condition: str | None
    machining: str | None
    stock_mm: float | None
    section_thick_mm: float | None
    section_thin_mm: float | None
    description: str | None
    usual_of: tuple[str, str] | None = None
    lower_mm: float | None = None
    upper_mm: float | None = None
    nominal_mm: float | None = None


def furnace_on_record(question: Question, words: Callable[[str, str], set[str]]) -> None:
    """Raises NotFoundError where the question names a furnace that nobody recorded: a slip, not a new furnace.

    words  the words of a table's column (Source.words), asked for only where a furnace is named
    """
    asked = question.furnace
    if asked and not {asked, asked.partition("/")[2]} & (known := words("furnace", "furnace")):
        raise NotFoundError(
            f"the book has no furnace {asked!r}",
            remedy=f"{did_you_mean(asked, known)}It has: {few(sorted(known), 8)}. A new one: loadbook add furnaces",
        )


def subject(conn: sqlite3.Connection, question: Question) -> Subject:
    """Who and what the question is about.

    Raises NotFoundError (no such part or characteristic), UsageError (several possible, or too little told)
    """
    if question.part is None:
        return _new_part(conn, question)
    for name in ("material", "shape"):
        if getattr(question, name) is not None:
            raise UsageError(
                f"--{name} belongs to a new part; {question.part} is on record", remedy=f"Leave out --{name}"
            )
    row = conn.execute(
        "SELECT p.*, m.family, m.reactive FROM part AS p LEFT JOIN material AS m USING (material) WHERE p.part = ?",
        (question.part,),
    ).fetchone()
    if row is None:
        hint = did_you_mean(question.part, [r[0] for r in conn.execute("SELECT part FROM part")])
        raise NotFoundError(
            f"the book has no part {question.part!r}",
            remedy=hint + "Ask for a new part with --material --shape --condition --kind --size",
        )
    known = conn.execute("SELECT * FROM characteristic WHERE part = ? ORDER BY characteristic", (question.part,))
    found = _characteristic(list(known), question)
    piece = conn.execute(
        "SELECT run, serial, condition, machining, stock_mm FROM piece JOIN run USING (run) WHERE part = ?"
        " ORDER BY started DESC, piece_id DESC LIMIT 1",
        (question.part,),
    ).fetchone()
    usual = dict(piece) if piece is not None else {"condition": None, "machining": None, "stock_mm": None}
    return Subject(
        question.part, found["characteristic"], found["kind"], question.scale or found["scale"],
        found["unit"] or "mm", question.size_mm or found["reference_length_mm"], row["material"], row["family"],
        None if row["reactive"] is None else bool(row["reactive"]), row["shape"],
        conditions(question.condition or usual["condition"]), usual["machining"], usual["stock_mm"],
        question.section_mm or row["section_thick_mm"], row["section_thin_mm"], row["description"],
        (piece["run"], piece["serial"]) if piece is not None else None, *_limits(found),
    )  # fmt: skip


def _limits(row: sqlite3.Row) -> tuple[float | None, ...]:
    """The drawing's limits and nominal; a group does not have them."""
    there = set(row.keys())
    return tuple(row[name] if name in there else None for name in ("lower_mm", "upper_mm", "nominal_mm"))


def _characteristic(known: list[sqlite3.Row], question: Question) -> sqlite3.Row:
    part, named = question.part, question.characteristic
    if named is not None:
        for row in known:
            if row["characteristic"].lower() == named.lower():
                return row
        names = ", ".join(r["characteristic"] for r in known) or "none yet"
        raise NotFoundError(f"part {part} has no characteristic {named!r}", remedy=f"It has: {names}")
    of_kind = [r for r in known if question.kind is None or r["kind"] in kinds_of(question.kind)]
    if len(of_kind) == 1:
        return of_kind[0]
    if not of_kind:
        raise NotFoundError(
            f"part {part} has no such characteristic", remedy="Take some in: loadbook take characteristics"
        )
    names = ", ".join(r["characteristic"] for r in of_kind)
    raise UsageError(f"part {part} has several characteristics", remedy=f"Name one with --characteristic: {names}")


def _new_part(conn: sqlite3.Connection, question: Question) -> Subject:
    kinds = kinds_of(question.kind or "")
    if len(kinds) > 1:
        raise UsageError(f"{question.kind} may be several kinds", remedy=f"Name one: {' or '.join(kinds)}")
    kind = kinds[0]
    if not kind:
        raise UsageError(
            "an enquiry names a part on record, or describes a new one",
            remedy="Give --part, or --material --shape --condition --kind and --size",
        )
    if kind not in CHARACTERISTIC_KINDS:
        raise UsageError(
            f"there is no kind {kind!r}",
            remedy=did_you_mean(kind, CHARACTERISTIC_KINDS) + "Kinds: " + ", ".join(CHARACTERISTIC_KINDS),
        )
    family, reactive, material = None, None, question.material
    if material is not None:
        row = conn.execute(
            "SELECT material, family, reactive FROM material WHERE lower(material) = lower(?)", (material,)
        ).fetchone()
        if row is not None:
            material, family = row["material"], row["family"]
            reactive = None if row["reactive"] is None else bool(row["reactive"])
    scales = [r[0] for r in conn.execute("SELECT scale FROM characteristic WHERE kind = ?", (kind,))]
    scale = question.scale or (max(SCALES, key=scales.count) if scales else "um")
    return Subject(
        None, None, kind, scale, "mm", question.size_mm, material, family, reactive, question.shape,
        conditions(question.condition), question.condition, None, question.section_mm, None, None,
    )  # fmt: skip


def conditions(text: str | None) -> str | None:
    """A condition list in one spelling: lower case, sorted.

    >>> conditions("Welded; from bar")
    'from bar;welded'
    """
    words = sorted({w.strip().lower() for w in (text or "").split(";") if w.strip()})
    return ";".join(words) or None


def planned(texts: Iterable[str]) -> dict[str, float]:
    """Settings as a user writes them: 'hold_mean_c=620', 'hold_mean_f=1150', 'heating rate=200 F/h'.

    A bare number is in the unit that the name carries; a name in words carries none.
    Raises UsageError for any other parameter or spelling.

    >>> planned(["soak_minutes=120", "hold_mean_f=212"])
    {'soak_minutes': 120.0, 'hold_mean_c': 100.0}
    >>> planned(["Heating rate, peak=180 F/h", "hold temperature=212 F", "soak=90 min"])
    {'heating_rate_peak_c_per_h': 100.0, 'hold_mean_c': 100.0, 'soak_minutes': 90.0}
    """
    out: dict[str, float] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        name, value = name.strip().lower(), value.strip()
        inside, unit = _plannable(name)
        if inside is None or not equals:
            raise UsageError(
                f"--with {text!r} plans nothing that is planned before a run",
                remedy="Write --with parameter=value; plannable are: "
                + ", ".join(PLANNED)
                + f" ({'; '.join(map(spoken, PLANNED))})",
            )
        dimension = PLANNED[inside].dimension
        try:
            bare = float(value)
        except ValueError:
            number = units.parse_quantity(value, dimension).value
        else:
            if not unit:
                per = "/h" if dimension == "rate" else ""
                remedy = f"Write --with '{name}={value} C{per}' or '{name}={value} F{per}'"
                raise UsageError(f"--with {text!r} does not say the unit of {value}", remedy=remedy)
            number = bare if dimension == "duration" else units.convert(bare, unit, dimension)
        check_settings({inside: number})
        out[inside] = number
    return out


def check_settings(settings: Mapping[str, float]) -> None:
    """See that planned settings can be run at all. Raises UsageError."""
    for name, value in settings.items():
        lowest = -units.ZERO_C_IN_K if name == "hold_mean_c" else 0.0
        if not lowest < value <= units.LARGEST:  # also not a number
            above = "absolute zero" if lowest else "zero"
            said = f"must be above {above}" if value <= lowest else "cannot be"
            raise UsageError(
                f"{name} {said}{', not' if value <= lowest else ''} {value:g}", where="--with",
                remedy="Check its digits and its unit",
            )  # fmt: skip


def _plannable(name: str) -> tuple[str | None, str]:
    """The plannable parameter that a name means, and the unit its ending states."""
    if name in PLANNED:
        return name, PLANNED[name].unit
    if (inside := celsius_of(name)) in PLANNED:
        return inside, "f_per_h" if name.endswith("_per_h") else "f"
    called = parameter_of(name)
    return (called, "min" if PLANNED[called].unit == "min" else "") if called in PLANNED else (None, "")


def as_kept(question: Question) -> dict[str, Any]:
    """The question as plain values, those not given left out."""
    out = {k: v for k, v in question.__dict__.items() if v is not None}
    out["settings"] = dict(question.settings)
    return out
