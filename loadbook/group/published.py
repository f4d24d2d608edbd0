"""What of a book is published to a group: which columns, as what, and which rows.

A column that is not listed here is not published. Each listed one is of a kind:

    key       names a record; as it is
    number    a figure, or yes or no;  date  a date or a moment
    word      a coded text: as it is where it is of the trade's words alone, else a number stands for it (words.py)
    program   written by the program itself: a digest, a method, a clause as a sentence, a fault's evidence
    customer, person, note   empty unless the option of that name publishes them; note is any free text
"""

from __future__ import annotations

from dataclasses import dataclass

_CYCLE = "cycle revision"
PUBLISHED: dict[str, dict[str, str]] = {
    # tables whose rows belong to a run stand in the month in which it began
    "run": {
        "key": "run furnace cycle cycle_revision repeats_run", "number": "run_id load_mass_kg", "date": "started ended",
        "word": "setup atmosphere status", "person": "operator", "note": "note",
    },
    "piece": {
        "key": "run part serial job", "number": "piece_id quantity supports span_mm stock_mm tempered_at_c",
        "word": "heat_number setup axis position machining condition",
    },
    "channel": {
        "key": "run channel serial calibration",
        "number": "channel_id depth_mm expanded_uncertainty_c x_mm y_mm z_mm uses hottest_c",
        "word": "role unit zone place attachment tc_type",
    },
    "event": {"key": "run", "number": "event_id", "date": "at", "word": "event", "note": "note"},
    "trace": {
        "key": "trace_id run", "date": "started", "word": "state", "program": "path sha256 zone",
        "number": "trace_number bytes interval_s seconds samples missing open out_of_range duplicates backwards gaps"
        " longest_gap_s",
    },
    "trace_channel": {
        "key": "trace_id channel", "number": "trace_channel_id number resolution valid lowest highest",
        "word": "quantity unit",
    },
    "reading": {
        "key": "part serial characteristic run gauge", "date": "read_at", "person": "inspector",
        "number": "reading_id value_mm value piece_temp_c gauge_temp_c already_at_20c repeat",
        "word": "stage held supports_at_mm orientation datum surface",
    },
    "parameter": {
        "key": "run channel", "number": "parameter_id value se at_s", "word": "parameter unit source",
        "program": "note algorithm",
    },
    "finding": {
        "key": "run channel", "date": "first_at worst_at", "word": "what verdict unit without",
        "number": "finding_id first_s worst_s lasted_s value limit_value asked uncertain uncertainty segment"
        " confidence",
        "program": "name text missing algorithm",
    },
    "confirmation": {
        "key": "run channel partner", "number": "confirmation_id reading_id", "date": "at",
        "word": "subject fault decision", "person": "person", "note": "why",
    },
    # and those that do not
    "material": {
        "key": "material", "word": "family", "note": "source",
        "number": "material_id cte_per_k conductivity_w_mk density_kg_m3 specific_heat_j_kgk max_soak_c reactive c_pct"
        " mn_pct si_pct ni_pct cr_pct mo_pct ac1_c dose_constant",
    },
    "part": {
        "key": "part material", "number": "part_id length_mm section_thick_mm section_thin_mm mass_kg",
        "word": "revision shape", "customer": "customer", "note": "description",
    },
    "characteristic": {
        "key": "part characteristic", "word": "kind unit scale method direction",
        "number": "characteristic_id nominal_mm lower_mm upper_mm reference_length_mm nominal lower upper depth_mm",
    },
    "job": {
        "key": "job", "number": "job_id quantity confidential export_controlled", "date": "keep_until",
        "customer": "customer purchase_order drawing_revision specification specification_revision",
    },
    "furnace": {
        "key": "furnace", "number": "furnace_id uniformity_c zones max_temp_c", "word": "atmosphere",
        "note": "working_zone note",
    },
    "furnace_check": {
        "key": "furnace", "number": "furnace_check_id at_c worst_c passed", "date": "done_on due_on", "word": "kind",
        "note": "note",
    },
    "gauge": {
        "key": "gauge", "number": "gauge_id resolution_mm expanded_uncertainty_mm expansion_per_k",
        "date": "calibrated_until", "word": "kind",
    },
    "calibration": {
        "key": "calibration", "number": "calibration_id at_c correction_c", "date": "calibrated_on valid_until",
    },
    "cycle": {"key": _CYCLE, "number": "cycle_id", "word": "process atmosphere", "note": "title"},
    "cycle_segment": {
        "key": _CYCLE, "word": "kind rate_of on_leaving soak_by purpose atmosphere",
        "number": "cycle_segment_id number target_c asked_rate_c_per_h rate_max_c_per_h rate_min_c_per_h"
        " rate_window_min rate_above_c rate_below_c minutes minutes_max band_low_c band_high_c pressure_max_mbar"
        " pressure_min_mbar",
    },
    "cycle_limit": {
        "key": _CYCLE, "word": "quantity relation phase scope event rule rounding",
        "number": "cycle_limit_id number value segment distance_mm above_c below_c window_min per_mm cap floor knee_mm"
        " value_beyond",
    },
    "operation": {
        "key": "part serial run", "number": "operation_id sequence stock_removed_mm straightened_mm", "date": "at",
        "word": "operation direction", "note": "note",
    },
    "history_break": {"key": "furnace", "number": "history_break_id", "date": "at", "note": "what note"},
    "answer": {
        "key": "part characteristic job", "number": "answer_id low high bound", "date": "answered_at", "word": "unit",
        "program": "method evidence_sha256",
    },
    "answer_outcome": {"key": "run", "number": "answer_outcome_id answer_id pieces inside within_bound"},
}  # fmt: skip
TABLES = tuple(PUBLISHED)
RECORD = "run_record"  # beside the book's tables: what computing a run again takes
_RECORD = {"key": "run", "program": "trace sha256 started", "record": "record", "number": "guard_factor guard_decides"}
BY_RUN = TABLES[: TABLES.index("material")]


@dataclass(frozen=True)
class PublishOptions:
    """What is published although by default it is not. may_name: names that texts may hold, whoever has them."""

    customers: bool = False
    people: bool = False
    notes: bool = False
    confidential: bool = False
    export_controlled: bool = False
    words: bool = False
    may_name: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, bool]:
        """As the manifest says it: the options, and no name."""
        return {name: kept for name, kept in self.__dict__.items() if isinstance(kept, bool)}

    def empty(self) -> set[str]:
        """The kinds of columns that are emptied."""
        kinds = {"customer": self.customers, "person": self.people, "note": self.notes}
        return {kind for kind, kept in kinds.items() if not kept}


def kinds_of(table: str) -> dict[str, str]:
    """Column -> kind of the columns that are published of a table."""
    listed = _RECORD if table == RECORD else PUBLISHED[table]
    return {name: kind for kind, names in listed.items() for name in names.split()}
