"""What is said beside figures: a code with figures, who may hear it and how grave it is. No sentence stands here.

Calculations and queries make remarks, the words of each code are made at the edge in one place
(`queries/remark_words.py`), and nothing ever reads a sentence to find out what it says. What is computed of a run is
stored as codes and figures too (`stored`), and worded each time it is read, in the reader's units.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

SHOP, CUSTOMER = "shop", "customer"
REFUSAL, CAUTION, ADVICE = "refusal", "caution", "advice"
EVIDENCE, CLAUSE, NOTE, REVIEW, EFFECT = "evidence", "clause", "note", "review", "effect"

COMMON = "common practice"  # the source of a remark that no publication stands behind

# code: (severity, audience). `customer` means that the matter concerns them; the words and names of the shop's version
# are still the shop's; a letter makes its own from the code and figures that it may show (letter/customer_words).
CODES: dict[str, tuple[str, str]] = {
    # why there is no figure
    "hardness": (REFUSAL, CUSTOMER),
    "kept_only": (REFUSAL, CUSTOMER),
    "never_measured": (REFUSAL, CUSTOMER),
    "all_set_aside": (REFUSAL, CUSTOMER),
    "gauge_too_coarse": (REFUSAL, CUSTOMER),
    "length_not_known": (REFUSAL, CUSTOMER),
    "no_scatter": (REFUSAL, CUSTOMER),
    "no_scatter_inside_parts": (REFUSAL, CUSTOMER),
    "too_few_runs": (REFUSAL, CUSTOMER),
    "too_few_repeats": (REFUSAL, CUSTOMER),
    "too_few_parts": (REFUSAL, CUSTOMER),
    "computed_figures": (REFUSAL, SHOP),
    "atmosphere_never_run": (REFUSAL, CUSTOMER),
    "level_moved": (REFUSAL, CUSTOMER),
    "far_beyond": (REFUSAL, CUSTOMER),
    "beyond_untold": (REFUSAL, CUSTOMER),
    # why no cycle is chosen, and what a choice must not be taken for: queries/choose.py
    "never_ran": (REFUSAL, SHOP),
    "no_hours": (REFUSAL, SHOP),
    "present_beyond": (REFUSAL, SHOP),
    "nothing_varied": (REFUSAL, SHOP),
    "none_keeps": (REFUSAL, SHOP),
    "goes_together": (CAUTION, SHOP),
    "faster_breaks": (CAUTION, SHOP),
    "outside_not_offered": (CAUTION, SHOP),
    # why an effect has no figure: analysis/effects
    **dict.fromkeys(
        (
            "effect_exact", "effect_constant", "effect_one_run", "effect_with_date", "effect_in_step",
            "effect_few_runs", "effect_few_means", "effect_few_degrees", "effect_all_equal", "effect_runs_equal",
            "effect_gauge_too_coarse", "effect_trial_degrees", "effect_not_separable", "effect_few_for_joint",
            "effect_not_joint", "effect_differs", "effect_asked_alone", "effect_not_on_record",
        ),
        (EFFECT, SHOP),
    ),
    # what is said of the whole of `moved` and `effect`: queries/history_words.py
    **dict.fromkeys(
        (
            "plants_behind", "plants_apart", "plain_readings", "nothing_left", "one_run_behind", "flagged_in",
            "not_measured_at_all", "way_not_recorded", "not_corrected", "all_moved_the_same", "lots_apart",
            "below_the_gauge", "differ_at_all", "only_asked", "asked_not_achieved", "flagged_in_effects",
            "gauge_hides_small", "gauges_apart", "trial_so_far", "by_asked",
        ),
        (CAUTION, SHOP),
    ),
    # what a figure must not be taken for
    "set_aside": (CAUTION, CUSTOMER),
    "few_read_after": (CAUTION, CUSTOMER),
    "before_far": (CAUTION, SHOP),
    "other_scale": (CAUTION, SHOP),
    "settings_achieved": (CAUTION, SHOP),
    "otherwise_lately": (CAUTION, SHOP),
    "as_lately": (CAUTION, SHOP),
    "blunders": (CAUTION, CUSTOMER),
    "setting_never_run": (CAUTION, CUSTOMER),
    "level_never_run": (CAUTION, CUSTOMER),
    "together_never_run": (CAUTION, CUSTOMER),
    "factor_not_recorded": (CAUTION, CUSTOMER),
    "level_widened": (CAUTION, CUSTOMER),
    "level_changed": (CAUTION, SHOP),
    "level_drifted": (CAUTION, SHOP),
    "runs_in_bursts": (CAUTION, SHOP),
    "slopes_differ": (CAUTION, SHOP),
    "lots_differ": (CAUTION, SHOP),
    "few_lots": (CAUTION, SHOP),
    "test_short": (CAUTION, CUSTOMER),
    "spread_borrowed": (CAUTION, SHOP),
    "stress_took_part": (CAUTION, SHOP),
    "model_only": (CAUTION, SHOP),
    "since_break": (CAUTION, CUSTOMER),
    "looks_further": (CAUTION, CUSTOMER),
    "own_mean_uncertain": (CAUTION, SHOP),
    "code_overrules": (CAUTION, SHOP),
    # of readings and runs as they are taken in: see readers/tables
    "after_before_before": (CAUTION, SHOP),
    "before_in_run": (CAUTION, SHOP),
    "after_in_run": (CAUTION, SHOP),
    "read_far_from_run": (CAUTION, SHOP),
    "read_in_future": (CAUTION, SHOP),
    "read_hot": (CAUTION, SHOP),
    "gauge_past_due": (CAUTION, SHOP),
    "furnace_running": (CAUTION, SHOP),
    "columns_hidden": (CAUTION, SHOP),
    "dates_read": (CAUTION, SHOP),
    "tolerance_left": (CAUTION, SHOP),
    # of a load: see core/cautions.py
    "inert_gas": (CAUTION, SHOP),
    "hydrogen": (CAUTION, SHOP),
    "reactive": (CAUTION, SHOP),
    "hollow": (CAUTION, CUSTOMER),
    "volatile": (CAUTION, CUSTOMER),
    # of a load against its cycle and its furnace: analysis/planning/load.py
    "check_failed": (CAUTION, SHOP),
    "check_past_due": (CAUTION, SHOP),
    "survey_elsewhere": (CAUTION, SHOP),
    "furnace_wider": (CAUTION, SHOP),
    "furnace_too_hot": (CAUTION, SHOP),
    "family_missing": (CAUTION, SHOP),
    "reactive_in_air": (CAUTION, SHOP),
    "reactive_in_gas": (CAUTION, SHOP),
    "above_temper": (CAUTION, SHOP),
    "above_hottest_hold": (CAUTION, SHOP),
    "cast_iron_hot": (CAUTION, SHOP),
    "cast_iron_fast": (CAUTION, SHOP),
    # of the sheet before the door closes: analysis/following/ready.py
    "no_cycle_asked": (CAUTION, SHOP),
    "cycle_asked": (CAUTION, SHOP),
    "later_revision": (CAUTION, SHOP),
    "cycle_reviewed": (CAUTION, SHOP),
    "first_not_approved": (CAUTION, SHOP),
    "first_approved": (CAUTION, SHOP),
    "first_refused": (CAUTION, SHOP),
    "temper_not_known": (CAUTION, SHOP),
    "no_pieces": (CAUTION, SHOP),
    "dry_and_clean": (CAUTION, SHOP),
    "class_not_known": (CAUTION, SHOP),
    "no_checks": (CAUTION, SHOP),
    "band_not_stated": (CAUTION, SHOP),
    "check_not_known": (CAUTION, SHOP),
    "check_not_dated": (CAUTION, SHOP),
    "check_last_day": (CAUTION, SHOP),
    "no_channels": (CAUTION, SHOP),
    "too_few_tcs": (CAUTION, SHOP),
    "tcs_planned": (CAUTION, SHOP),
    "place_not_planned": (CAUTION, SHOP),
    "place_short": (CAUTION, SHOP),
    "tcs_fixed": (CAUTION, SHOP),
    "not_calibrated": (CAUTION, SHOP),
    "calibration_ended": (CAUTION, SHOP),
    "calibrations_not_known": (CAUTION, SHOP),
    "calibration_not_held": (CAUTION, SHOP),
    "calibration_not_dated": (CAUTION, SHOP),
    "calibration_last_day": (CAUTION, SHOP),
    "correction_large": (CAUTION, SHOP),
    "channel_failed": (CAUTION, SHOP),
    "nothing_read_before": (CAUTION, SHOP),
    "not_read_before": (CAUTION, SHOP),
    "reading_odd": (CAUTION, SHOP),
    "gauge_late": (CAUTION, SHOP),
    "gauges_not_known": (CAUTION, SHOP),
    "gauge_not_named": (CAUTION, SHOP),
    "gauge_not_dated": (CAUTION, SHOP),
    "nothing_due_before": (CAUTION, SHOP),
    "finished_in_air": (CAUTION, SHOP),
    "scale_not_known": (CAUTION, SHOP),
    "stock_not_asked": (CAUTION, SHOP),
    "stock_not_recorded": (CAUTION, SHOP),
    "stock_short": (CAUTION, SHOP),
    "repeats": (CAUTION, SHOP),
    "treated_before": (CAUTION, SHOP),
    "pieces_counted": (CAUTION, SHOP),
    "several_customers": (CAUTION, SHOP),
    "confidential_load": (CAUTION, SHOP),
    "racked": (CAUTION, SHOP),
    "recorder_on": (CAUTION, SHOP),
    "gas_and_protection": (CAUTION, SHOP),
    "gas_of_another": (CAUTION, SHOP),
    # of a run at its low hold: analysis/following/lowhold.py
    "low_hold_fault": (CAUTION, SHOP),
    "low_hold_behind": (CAUTION, SHOP),
    "low_hold_ahead": (CAUTION, SHOP),
    "low_hold_loose": (CAUTION, SHOP),
    "low_hold_falls": (CAUTION, SHOP),
    "low_hold_hotter": (CAUTION, SHOP),
    "low_hold_still": (CAUTION, SHOP),
    # advice
    "stock": (ADVICE, CUSTOMER),
    "stock_not_needed": (ADVICE, SHOP),
    "stock_not_known": (ADVICE, SHOP),
    "stock_never_run": (ADVICE, SHOP),
    "stock_few_parts": (ADVICE, SHOP),
    "protect_reactive": (ADVICE, CUSTOMER),
    "protect_finished": (ADVICE, CUSTOMER),
    "air": (ADVICE, CUSTOMER),
    "air_or_vacuum": (ADVICE, SHOP),
    "cycle": (ADVICE, SHOP),
    "own_cycle": (ADVICE, CUSTOMER),
    "tc_thickest": (ADVICE, CUSTOMER),
    "tc_thinnest": (ADVICE, CUSTOMER),
    "tc_middle": (ADVICE, CUSTOMER),
    "tc_coldest_corner": (ADVICE, CUSTOMER),
    "tc_corner_not_noted": (ADVICE, SHOP),
    "tc_survey_note": (ADVICE, SHOP),
    "tc_coldest_place": (ADVICE, SHOP),
    "tc_own_coldest_place": (ADVICE, CUSTOMER),
    "tc_lost": (ADVICE, SHOP),
    # what a thermocouple's trace shows
    **dict.fromkeys(
        (
            "open", "open_beside", "reversed", "stands_above", "stands_below", "fell_away", "shorted_rise",
            "shorted_drop", "read_as", "left_range", "leads", "traded", "left_place", "at_once", "time_constant",
            "frozen", "frozen_single", "frozen_furnace", "frozen_dead", "frozen_expected", "frozen_alone",
            "frozen_caught_up", "jumped", "jumped_and_back",
            "noisy", "comes_and_goes", "drift", "drift_in_proportion", "drift_between", "drift_above", "drift_moved",
            "drift_place", "drift_reported", "position", "spike", "known_swap",
        ),
        (EVIDENCE, SHOP),
    ),
    # what a clause of a cycle asks; what one that cannot be told lacks; what is said of a judged run as a whole
    **dict.fromkeys(
        (
            "limit", "segment_rate", "target", "segment_pressure", "hold_edge", "soak",
            "no_reading", "no_sample", "no_two_samples", "no_channel", "no_tc", "no_tc_of_role", "no_tc_of_rate",
            "no_two_work_tcs", "no_control_with_work", "no_tc_at_start", "no_tc_at_event", "place_not_recorded",
            "no_stretch", "segment_too_short", "steps_or_noise", "no_pressure_at_cooling", "no_event", "no_leak_events",
            "gas_not_named", "surface_not_said", "no_survey", "no_survey_near", "survey_without_due",
            "survey_without_temperature", "survey_without_spread", "no_piece", "section_not_known", "no_way_to_check",
            "band_not_in_cycle", "none_in_band", "soak_never_began", "never_came_to_phase", "never_came_to_segment",
            "ends_before_segment", "ends_before_target", "ends_before_hold", "ends_in_hold", "begins_while_heating",
            "range_to_come", "unseen", "not_recorded", "between_samples", "could_turn", "turned_back",
            "doubt_traded", "doubt_type", "doubt_trusted", "doubt_began",
            "without_cycle", "left_band", "repaired",
        ),
        (CLAUSE, SHOP),
    ),
    # what belongs beside a parameter of a run, or a plan
    **dict.fromkeys(
        (
            "no_band", "noise", "above", "dose_at", "section", "plan_section", "plan_film", "plan_film_stated",
            "plan_start", "plan_alone", "plan_no_rate", "plan_outline",
            # what physics says of a plan: analysis/physics/checks.py
            "stress_unknown", "relief_by_creep", "relief_of_iron", "sag_beam", "sag_ring", "sag_unknown",
            "size_unknown", "size_retained", "evaporates_not",
        ),
        (NOTE, SHOP),
    ),
    # of these, what a letter that has no figure tells of their part
    **dict.fromkeys(
        ("stress_elastic", "stress_yields", "stress_against_yield", "relief_by_heating", "size_published",
         "scale_thin", "scale_law", "scale_at_most", "evaporates"),
        (NOTE, CUSTOMER),
    ),
    # what a careful reader says of a cycle
    **dict.fromkeys(
        (
            "no_start", "no_ramp_limit", "no_quench_rate", "no_soak_time",
            "asks_above_limit", "asks_below_limit", "band_over_limit",
            "spread_over_band", "wrong_direction", "hold_elsewhere", "door_over_backfill", "band_not_stated",
            "no_low_hold", "no_backfill_limit", "no_door_limit", "never_binds", "door_burns", "no_spread_limit",
            "no_lead_limit", "no_work_tcs_limit", "no_gap_limit", "no_pressure_limit", "above_tempering",
            "above_ac1", "ac1_unknown", "above_max_soak", "target_over_limit",
            "sensitising", "embrittling", "aluminium", "plated", "titanium_gas", "titanium_air", "no_dew_point_limit",
            "chlorine", "reacts", "volatile_in_vacuum", "soak_by_section", "soak_short", "no_hold", "band_of_furnace",
            "softens",
        ),
        (REVIEW, SHOP),
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Remark:
    """One thing to say.

    code      a key of CODES;  figures  what its words are made from, as JSON takes it, in the units kept inside
    audience  'shop' or 'customer';  severity  'refusal', 'caution' or 'advice'
    """

    code: str
    figures: Mapping[str, Any] = field(default_factory=dict)
    audience: str = SHOP
    severity: str = CAUTION

    def as_dict(self) -> dict[str, Any]:
        """As JSON carries it."""
        return {"code": self.code, "severity": self.severity, "audience": self.audience, "figures": dict(self.figures)}


def remark(code: str, **figures: Any) -> Remark:
    """A remark of a code, with the code's own audience and severity. Raises KeyError for an unknown code.

    >>> remark("too_few_runs", runs=1, needed=8).severity
    'refusal'
    """
    severity, audience = CODES[code]
    plain = {k: v.item() if hasattr(v, "item") else v for k, v in figures.items()}  # numpy's numbers are no JSON
    return Remark(code, plain, audience, severity)


def from_dict(given: Mapping[str, Any]) -> Remark | None:
    """A remark out of `as_dict`; None for a code that this program does not know (nobody can word it)."""
    return remark(given["code"], **given["figures"]) if given["code"] in CODES else None


_JSON = json.JSONEncoder(ensure_ascii=False)


def stored(said: Iterable[Remark | str]) -> str | None:
    """What was said, as a column of derived rows keeps it: JSON of codes and figures; None for nothing.

    A text that is not the program's own sentence (a channel's name, a person's word) stays as it is; alone, it is kept
    as plain text.

    >>> stored([remark("no_band", band_c_diff=5.0), "TC 1"])
    '[{"code": "no_band", "figures": {"band_c_diff": 5.0}}, "TC 1"]'
    """
    parts = list(said)
    texts = [p for p in parts if isinstance(p, str)]
    if len(texts) == len(parts):
        return "; ".join(texts) or None
    kept = [p if isinstance(p, str) else {"code": p.code, "figures": dict(p.figures)} for p in parts]
    return _JSON.encode(kept)


def of_stored(text: str) -> tuple[Remark | str, ...]:
    """What `stored` kept. A text that a person or an older version wrote is given back as it is."""
    if not text.startswith('[{"code"') and not text.startswith('["'):
        return (text,)
    try:
        found = [p if isinstance(p, str) else from_dict(p) for p in json.loads(text)]
    except (ValueError, KeyError, TypeError):
        return (text,)
    return tuple(p for p in found if p is not None)
