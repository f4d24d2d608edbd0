"""What is said beside figures: a code with figures, who may hear it and how grave it is. No sentence stands here.

Calculations and queries make remarks, the words of each code are made at the edge in one place
(`queries/remark_words.py`), and nothing ever reads a sentence to find out what it says.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

SHOP, CUSTOMER = "shop", "customer"
REFUSAL, CAUTION, ADVICE = "refusal", "caution", "advice"

# code: (severity, audience). `customer` means that the matter concerns them; the words and names of the shop's version
# are still the shop's; a letter makes its own from the code and figures that it may show (queries/letter/filter).
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
    # what a figure must not be taken for
    "set_aside": (CAUTION, CUSTOMER),
    "settings_achieved": (CAUTION, SHOP),
    "blunders": (CAUTION, CUSTOMER),
    "setting_never_run": (CAUTION, CUSTOMER),
    "level_never_run": (CAUTION, CUSTOMER),
    "model_only": (CAUTION, SHOP),
    "since_break": (CAUTION, CUSTOMER),
    "looks_further": (CAUTION, CUSTOMER),
    "own_mean_uncertain": (CAUTION, SHOP),
    "code_overrules": (CAUTION, SHOP),
    # of readings as they are taken in: see readers/tables/notes.py
    "after_before_before": (CAUTION, SHOP),
    "before_in_run": (CAUTION, SHOP),
    "after_in_run": (CAUTION, SHOP),
    "read_far_from_run": (CAUTION, SHOP),
    "read_in_future": (CAUTION, SHOP),
    "read_hot": (CAUTION, SHOP),
    "gauge_past_due": (CAUTION, SHOP),
    # of a load: see core/cautions.py
    "inert_gas": (CAUTION, CUSTOMER),
    "hydrogen": (CAUTION, CUSTOMER),
    "reactive": (CAUTION, CUSTOMER),
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
    "no_channels": (CAUTION, SHOP),
    "too_few_tcs": (CAUTION, SHOP),
    "tcs_planned": (CAUTION, SHOP),
    "place_not_planned": (CAUTION, SHOP),
    "place_short": (CAUTION, SHOP),
    "tcs_fixed": (CAUTION, SHOP),
    "not_calibrated": (CAUTION, SHOP),
    "calibration_ended": (CAUTION, SHOP),
    "correction_large": (CAUTION, SHOP),
    "channel_failed": (CAUTION, SHOP),
    "nothing_read_before": (CAUTION, SHOP),
    "not_read_before": (CAUTION, SHOP),
    "reading_odd": (CAUTION, SHOP),
    "gauge_late": (CAUTION, SHOP),
    "finished_in_air": (CAUTION, SHOP),
    "scale_not_known": (CAUTION, SHOP),
    "stock_not_recorded": (CAUTION, SHOP),
    "stock_short": (CAUTION, SHOP),
    "repeats": (CAUTION, SHOP),
    "treated_before": (CAUTION, SHOP),
    "pieces_counted": (CAUTION, SHOP),
    "racked": (CAUTION, SHOP),
    "recorder_on": (CAUTION, SHOP),
    "gas_and_protection": (CAUTION, SHOP),
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
}


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
    return Remark(code, figures, audience, severity)


def from_dict(given: Mapping[str, Any]) -> Remark | None:
    """A remark out of `as_dict`; None for a code that this program does not know (nobody can word it)."""
    return remark(given["code"], **given["figures"]) if given["code"] in CODES else None
