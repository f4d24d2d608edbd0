"""Trials with planted truth, minutes to hours each; what they gave stands in MEASURED.md beside them."""
