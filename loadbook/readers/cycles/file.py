"""Taking a cycle's TOML file in: once in the book it is never edited, a change is a new revision.

Cycle files: TOML, every temperature with its unit, every fault with its file and line.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from loadbook.analysis.clauses.limits import BEGINNING
from loadbook.analysis.clauses.recorded import GASES, gases_in
from loadbook.analysis.trace.model import Cycle, Limit, Segment
from loadbook.core import units
from loadbook.core.errors import IntakeError, Problem
from loadbook.core.outside import LARGEST_TEXT, name_of, read_file
from loadbook.core.phrases import did_you_mean
from loadbook.core.vocabulary.clauses import UNIFORMITY_CLASSES
from loadbook.readers.tables.take import Taken
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.run_records import cycle_tables, same_cycle

from .keys import CYCLE_KEYS, DEFAULT_PHASE, LIMIT_KEYS, LIMITS_KEYS, LIMITS_OPTIONS, QUANTITY_DIMENSION, SEGMENT_KEYS
from .toml_tables import TomlTables

_TABLES = {"cycle": "[cycle]", "segment": "[[segment]]", "limits": "[limits]", "limit": "[[limit]]"}


@dataclass(frozen=True)
class CycleFile:
    """A cycle as its file states it; source_text is the file, kept whole in the book; sha256 is of its bytes."""

    cycle: Cycle
    source_text: str
    file: str = ""
    sha256: str = ""


def read_cycle_file(path: Path) -> CycleFile:
    """The cycle of one TOML file.

    Raises IntakeError with a Problem per fault: file, line, key, value and what to write instead.
    """
    try:
        data = read_file(path, LARGEST_TEXT)
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        raise IntakeError(f"{name_of(path)} is not UTF-8 text", [Problem(str(exc), file=name_of(path))]) from exc
    return replace(parse_cycle(text, name_of(path)), sha256=hashlib.sha256(data).hexdigest())


def parse_cycle(text: str, file: str = "cycle.toml") -> CycleFile:
    """The cycle that a TOML text states. Raises IntakeError as `read_cycle_file` does."""
    reader = _Reader(text, file)
    cycle = reader.cycle()
    if reader.problems:
        raise IntakeError(
            f"{file} is not a cycle that can be taken in", reader.problems, remedy="Correct the lines below"
        )
    return CycleFile(cycle, text, file)


class _Reader(TomlTables):
    """Reads one cycle, gathering problems."""

    def __init__(self, text: str, file: str) -> None:
        super().__init__(text, file, _TABLES)

    def cycle(self) -> Cycle:
        for name in self.data:
            if name not in _TABLES:
                line = self.lines.get((name, 0, None)) or self.lines.get(("", 0, name))
                remedy = did_you_mean(name, _TABLES).strip() or f"A cycle file holds {', '.join(_TABLES.values())}"
                self.problems.append(
                    Problem(f"[{name}] is not part of a cycle", file=self.file, line=line, remedy=remedy)
                )
        if "cycle" not in self.data:
            self.problems.append(Problem("there is no [cycle]", file=self.file, line=1, remedy="Begin with [cycle]"))
        head = self.table("cycle", 0, self.data.get("cycle", {}), CYCLE_KEYS) if "cycle" in self.data else {}
        limits: list[Limit] = []
        segments = self.segments(limits)
        self.plain_limits(limits)
        self.detailed_limits(limits)
        if self.problems:
            return Cycle("")
        return Cycle(**head, segments=tuple(segments), limits=tuple(limits))

    def segments(self, limits: list[Limit]) -> list[Segment]:
        raw = self.data.get("segment", [])
        if not isinstance(raw, list) or not raw:
            self.problems.append(
                Problem("there is no [[segment]]", file=self.file, remedy="Add at least one [[segment]] with its kind")
            )
            return []
        out: list[Segment] = []
        last_target: float | None = None
        for which, item in enumerate(raw):
            fields = self.table("segment", which, item, SEGMENT_KEYS)
            before = len(self.problems)
            slow = {k: fields.pop(k, None) for k in ("may_slow_below", "may_slow_above")}
            self.band_class(fields, which)
            kind = fields.get("kind")
            if kind == "hold" and "target_c" not in fields:
                fields["target_c"] = last_target
            if kind in ("heat", "hold") and fields.get("target_c") is None and "target" not in item:
                self.problem(f"a {kind} has no target", "segment", which, None, remedy='Add target = "620 C"')
            self.contradictions(fields, which)
            if len(self.problems) > before or not kind:
                continue
            last_target = fields.get("target_c") or last_target
            limits.extend(self.slowing(fields, slow, which, len(limits)))
            out.append(Segment(number=which + 1, **{k: v for k, v in fields.items() if v is not None}))
        return out

    def band_class(self, fields: dict[str, Any], which: int) -> None:
        number, unit = fields.pop("band_class", None), fields.pop("band_class_unit", None)
        both = "band_low_c" in fields or "band_high_c" in fields
        width = self.class_width(number, unit, both, "segment", which, "band_class", "a band")
        if width is not None:
            fields["band_low_c"] = fields["band_high_c"] = width

    def class_width(
        self, number: int | None, unit: str | None, both: bool, table: str, which: int, key: str, other: str
    ) -> float | None:  # fmt: skip
        """Half-width [°C difference] of a uniformity class; both: the width is stated in figures as well."""
        if number is None:
            return None
        if unit is None:
            remedy = f'Add {key}_unit = "C" or "F": the two editions are not each other\'s conversion'
            self.problem(f"a {key} without its unit", table, which, key, number, remedy)
        elif number not in UNIFORMITY_CLASSES:
            self.problem("there is no such class", table, which, key, number, "Classes are 1 to 6")
        elif both:
            self.problem(f"{key} and {other} both", table, which, key, number, "Keep one of the two")
        else:
            c, f = UNIFORMITY_CLASSES[number]
            return float(c) if unit == "C" else units.c_diff_from_f_diff(f)
        return None

    def typed(self, which: int, key: str) -> object:
        """What stands in the file at a segment's key."""
        return self.data["segment"][which].get(key)

    def contradictions(self, fields: dict[str, Any], which: int) -> None:
        for low, high in (
            ("minutes", "minutes_max"),
            ("rate_min_c_per_h", "rate_max_c_per_h"),
            ("pressure_min_mbar", "pressure_max_mbar"),
        ):
            if fields.get(low) is not None and fields.get(high) is not None and fields[low] > fields[high]:
                name = "minutes" if low == "minutes" else low.split("_c_")[0].removesuffix("_mbar")
                self.problem(
                    "the least allowed is above the most allowed", "segment", which, name, self.typed(which, name)
                )
        for name in ("rate_max_c_per_h", "asked_rate_c_per_h", "rate_window_min", "pressure_max_mbar"):
            if fields.get(name) is not None and fields[name] <= 0:
                key = next(k for k, v in SEGMENT_KEYS.items() if (v.field or k) == name)
                self.problem(f"{key} must be above zero", "segment", which, key, self.typed(which, key))
        for name in ("band_low_c", "band_high_c", "minutes"):
            if fields.get(name) is not None and fields[name] < 0:
                key = next(k for k, v in SEGMENT_KEYS.items() if (v.field or k) == name)
                remedy = "Both edges of a band are stated as distances from the target" if "band" in key else ""
                self.problem(f"{key} must not be below zero", "segment", which, key, self.typed(which, key), remedy)

    def slowing(self, fields: dict[str, Any], slow: dict[str, Any], which: int, before: int) -> list[Limit]:
        """rate_min with an allowance to slow becomes a limit of its own, bound to the range where it binds."""
        below, above = slow["may_slow_below"], slow["may_slow_above"]
        if below is None and above is None:
            return []
        heat = fields.get("kind") == "heat"
        key = "may_slow_below" if below is not None else "may_slow_above"
        if (below is not None) == heat or fields.get("kind") == "hold":
            remedy = "A heat may slow above a temperature, a cool below one"
            self.problem(f"{key} does not go with this segment", "segment", which, key, remedy=remedy)
            return []
        least = fields.pop("rate_min_c_per_h", None)
        if least is None:
            return []  # with no slowest rate nothing forbids slowing: the allowance changes nothing
        quantity = ("heating_rate" if heat else "cooling_rate") + ("_work" if fields.get("rate_of") == "work" else "")
        item = self.data["segment"][which]
        typed = f"{item['rate_min']}, may slow {'above' if heat else 'below'} {item[key]}"
        return [Limit(before + 1, quantity, "min", least, phase="heating" if heat else "cooling", segment=which + 1,
                      above_c=below, below_c=above, window_min=fields.get("rate_window_min"), typed=typed)]  # fmt: skip

    def plain_limits(self, limits: list[Limit]) -> None:
        raw = self.data.get("limits", {})
        if not isinstance(raw, dict):
            self.problem("[limits] must be a table", "limits", 0, None)
            return
        options: dict[str, Any] = {}
        for key, known in LIMITS_OPTIONS.items():
            if key in raw:
                options[known.field or key] = self.value(raw[key], known.holds, "limits", 0, known, key)
        scope = options.get("spread_scope") or "load"
        if (scope == "distance") != (options.get("distance_mm") is not None):
            self.problem("spread_scope = \"distance\" and spread_within belong together", "limits", 0,
                         "spread_within" if "spread_within" in raw else "spread_scope")  # fmt: skip
        if options.get("spread_from") and not {"spread", "spread_hold"} & set(raw):
            self.problem("spread_from without spread_hold", "limits", 0, "spread_from", remedy="State spread_hold")
        width = self.class_width(
            options.get("furnace_class"), options.get("furnace_class_unit"), "furnace_uniformity" in raw, "limits", 0,
            "furnace_class", "furnace_uniformity",
        )  # fmt: skip
        if width is not None:
            typed = f"furnace_class = {raw['furnace_class']} ({raw['furnace_class_unit']})"
            limits.append(Limit(len(limits) + 1, "furnace_uniformity", "max", width, typed=typed))
        for key, value in raw.items():
            if key in LIMITS_OPTIONS:
                continue
            if key not in LIMITS_KEYS:
                self.unknown(key, "limits", 0, {**LIMITS_KEYS, **LIMITS_OPTIONS})
                continue
            quantity, holds, relation, phase, event = LIMITS_KEYS[key]
            stored = self.value(value, holds, "limits", 0, None, key)
            if stored is None:
                continue
            more: dict[str, Any] = {}
            if isinstance(stored, str):
                event, stored = stored, 1.0
            if quantity == "gas" and not gases_in(event or ""):
                self.problem("gas names no gas known", "limits", 0, key, value, f"Write one of: {', '.join(GASES)}")
                continue
            if quantity == "spread":
                more = {"scope": scope, "distance_mm": options.get("distance_mm")}
                event = options.get("spread_from") if phase == "hold" else None
            elif "rate" in quantity and quantity != "leak_rate":
                more = {"window_min": options.get("window_min")}
            limits.append(Limit(len(limits) + 1, quantity, relation, float(stored), phase=phase, event=event,  # type: ignore[arg-type]
                                typed=f"{key} = {value}", **more))  # fmt: skip

    def detailed_limits(self, limits: list[Limit]) -> None:
        raw = self.data.get("limit", [])
        for which, item in enumerate(raw if isinstance(raw, list) else [raw]):
            before = len(self.problems)
            fields = self.table("limit", which, item, LIMIT_KEYS)
            if len(self.problems) > before:
                continue
            quantity = fields["quantity"]
            holds = QUANTITY_DIMENSION[quantity]
            for name in ("max", "min", "cap", "floor", "beyond"):
                if name in fields:
                    fields[name] = self.value(fields[name], holds, "limit", which, None, name)
            self.limit_sense(fields, quantity, which)
            if len(self.problems) > before:
                continue
            relation = "max" if "max" in fields else "min"
            value = float(fields.pop(relation))
            fields.setdefault("phase", DEFAULT_PHASE.get(quantity, "any"))
            if "beyond" in fields:
                fields["value_beyond"] = fields.pop("beyond")
            typed = ", ".join(f"{k} = {v}" for k, v in item.items())
            limits.append(Limit(len(limits) + 1, fields.pop("quantity"), relation, value, typed=typed, **fields))  # type: ignore[arg-type]

    def limit_sense(self, fields: dict[str, Any], quantity: str, which: int) -> None:
        """What a [[limit]] needs beside its keys being known."""

        def wrong(what: str, key: str | None, remedy: str = "") -> None:
            self.problem(what, "limit", which, key, remedy=remedy)

        if ("max" in fields) == ("min" in fields):
            wrong("a limit needs max or min, one of the two", None)
        words = [k for k in ("event", "from", "place") if k in self.data["limit"][which]]
        if len(words) > 1 or (words == ["from"] and quantity not in BEGINNING):
            wrong(f"{words[-1]} does not go with this limit", words[-1], f"from goes with: {', '.join(BEGINNING)}")
        if quantity == "place_tcs" and words != ["place"]:
            wrong("place_tcs needs its place", "quantity", 'Add place = "thick section"')
        if quantity == "time_in_range" and fields.get("above_c") is None and fields.get("below_c") is None:
            wrong("time_in_range needs its range", "quantity", 'Add above = "425 C" and below = "815 C"')
        if quantity == "event_work" and not fields.get("event"):
            wrong("event_work needs its event", "quantity", 'Add event = "door opened"')
        if quantity == "soak" and not fields.get("segment"):
            wrong("a soak limit needs its segment", "quantity", "Add segment = and the number of the hold")
        if (fields.get("scope") == "distance") != (fields.get("distance_mm") is not None):
            wrong('scope = "distance" and within belong together', "scope" if "scope" in fields else "within")
        number = fields.get("segment")
        kinds = [s.get("kind") if isinstance(s, dict) else None for s in self.data.get("segment", [])]
        if number is not None and not 1 <= number <= len(kinds):
            wrong(f"there is no segment {number}", "segment", f"Segments are 1 to {len(kinds)}")
        elif quantity == "soak" and number and kinds[number - 1] != "hold":
            wrong(f"segment {number} is not a hold", "segment")
        rule = fields.get("rule")
        if rule and not fields.get("per_mm"):
            wrong("a thickness rule needs per", "rule", 'Add per = "25 mm"')
        if rule == "rate/thickness" and "rate" not in quantity:
            wrong("rate/thickness is for rates", "rule")
        if rule == "time*thickness" and quantity != "soak":
            wrong("time*thickness is for the soak", "rule")
        if (fields.get("knee_mm") is None) != (fields.get("beyond") is None):
            wrong("knee and beyond belong together", "knee" if "knee_mm" in fields else "beyond")
        if not rule and any(fields.get(k) is not None for k in ("per_mm", "cap", "floor", "knee_mm")):
            wrong("per, cap, floor and knee belong to a rule", None, 'Add rule = "rate/thickness" or "time*thickness"')


def take_cycle_file(book: BookFolder, path: Path, *, dry_run: bool = False) -> Taken:
    """Take one cycle file in. The same file again adds nothing; the same revision with other words is refused.

    Raises IntakeError with every fault and its line.
    """
    found = read_cycle_file(path)
    cycle = found.cycle

    def already(known: bool | None) -> Taken | None:
        if known is False:
            problem = Problem(
                f"cycle {cycle.cycle} revision {cycle.revision} is in the book with other words",
                name_of(path),
                remedy="Give the changed cycle a new revision",
            )
            raise IntakeError(f"{name_of(path)} cannot be taken in as cycles", [problem], remedy="Nothing was taken in")
        return Taken("cycles", name_of(path), 1, 0, 1) if known else None

    conn = book.read()
    before = already(same_cycle(conn, cycle.cycle, cycle.revision, found.source_text))
    if before is not None or dry_run:
        return before or Taken("cycles", name_of(path), 1, 1, 0, dry_run=True)
    with book.write() as conn:
        before = already(same_cycle(conn, cycle.cycle, cycle.revision, found.source_text))
        if before is None:
            add_intake(
                conn,
                "cycles",
                cycle_tables(cycle, found.source_text),
                rows_read=1,
                file_name=name_of(path),
                file_sha256=found.sha256,
            )
    return before or Taken("cycles", name_of(path), 1, 1, 0)
