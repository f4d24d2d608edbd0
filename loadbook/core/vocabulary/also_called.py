"""What people in the trade say for a term of the vocabulary: `explain` leads from one to the other."""

from __future__ import annotations

# word -> (term, what the word stands for, where the term does not say it)
ALSO_CALLED: dict[str, tuple[str, str]] = {
    # furnaces, thermocouples, instruments
    "TUS": ("furnace check", "temperature uniformity survey"),
    "SAT": ("furnace check", "system accuracy test"),
    "survey": ("furnace check", ""),
    "pyrometry": ("furnace check", ""),
    "uniformity": ("rule uniformity class", ""),
    "furnace class": ("rule uniformity class", ""),
    "TC": ("work TC", "thermocouple"),
    "thermocouple": ("work TC", ""),
    "part TC": ("work TC", ""),
    "load TC": ("work TC", ""),
    "contact TC": ("work TC", ""),
    "control thermocouple": ("control TC", ""),
    "high limit": ("over-temperature TC", ""),
    "overtemp": ("over-temperature TC", ""),
    "chart": ("trace", "the recorder's chart"),
    "recorder": ("trace", ""),
    "leak rate": ("leak_up_mbar_per_h", ""),
    "SPC": ("control chart", "statistical process control"),
    "charge": ("run", "a furnace's charge"),
    "load": ("run", ""),
    "heat": ("run", "a heat of a furnace; a heat number is the material's"),
    # cycles and rates
    "recipe": ("cycle", ""),
    "program": ("cycle", "what the controller runs; what it set is a run's asked parameter"),
    "profile": ("cycle", ""),
    "ramp": ("rate", "a segment that heats or cools; how steep it is, is its rate"),
    "ramp rate": ("rate", ""),
    "heating rate": ("heating_rate_peak_c_per_h", ""),
    "cooling rate": ("cooling_rate_peak_c_per_h", ""),
    "dwell": ("soak", ""),
    "hold": ("soak", "a hold is the segment, the soak what the work got of it"),
    "soak time": ("soak", ""),
    "lag": ("section_lag_c", "how far a section's middle is behind its surface; furnace ahead of work is the lead"),
    "gradient": ("spread", "a difference at one moment, in degrees"),
    "delta T": ("spread", ""),
    "overshoot": ("hold_overshoot_c", ""),
    "PWHT": ("process", "postweld heat treatment: a stress relief of welds; the code that asks for it comes first"),
    "stress relief": ("process", ""),
    "Larson-Miller": ("dose_hj", "the same form, T (log t + C), first used for creep; constants and units differ"),
    "LMP": ("dose_hj", "Larson-Miller parameter: the same form; constants and units differ"),
    "HJP": ("dose_hj", "Hollomon-Jaffe parameter"),
    "Hollomon-Jaffe": ("dose_hj", ""),
    "tempering parameter": ("dose_hj", ""),
    "Ac1": ("rule Ac1 by composition", ""),
    # parts and what they do
    "distortion": ("movement", ""),
    "warpage": ("movement", ""),
    "size change": ("movement", ""),
    "growth": ("movement", "a movement above zero, of a size"),
    "shrinkage": ("movement", "a movement below zero, of a size"),
    "OD": ("characteristic", "outside diameter"),
    "ID": ("characteristic", "inside diameter"),
    "TIR": ("characteristic", "total indicator reading: circular runout at one place, total runout along the length"),
    "runout": ("characteristic", ""),
    "roundness": ("characteristic", "circularity"),
    "hardness": ("characteristic", ""),
    "tolerance": ("characteristic", "the limits of the drawing, lower and upper"),
    "stock": ("stock bound", "material left per side for the finish"),
    "allowance": ("stock bound", "material left per side for the finish"),
    "stood": ("setup", "on an end or an edge"),
    "laid": ("setup", "flat on its face or along its length"),
    "hung": ("setup", "hanging from above"),
    "racked": ("setup", "in a rack or on a grid"),
    "fixtured": ("setup", "held in a fixture"),
    "serial": ("piece", ""),
    "lot": ("lot without serials", ""),
    "order": ("job", "the customer's purchase order stands with it"),
    "PO": ("job", "purchase order"),
    # words of answers and verdicts
    "likeness": ("nearness", ""),
    "choose": ("choosing a cycle", ""),
    "prediction interval": ("answer interval", ""),
    "tolerance interval": ("content interval", ""),
    "undecided": ("rule cannot be told", ""),
    "untold": ("rule cannot be told", ""),
    "no trace": ("rule cannot be told", "the run has no recorder file: nothing to hold against its cycle"),
    "verdict": ("clause", ""),
}
_BY_FOLD = {word.casefold().replace("-", " "): word for word in ALSO_CALLED}


def term_of(word: str) -> tuple[str, str] | None:
    """(the term that a word of the trade leads to, how the word is explained beside it), None for no such word.

    >>> term_of("tus"), term_of("ramp rate")
    (('furnace check', 'TUS: temperature uniformity survey'), ('rate', 'ramp rate'))
    """
    found = _BY_FOLD.get(" ".join(word.casefold().replace("_", " ").replace("-", " ").split()))
    if found is None:
        return None
    term, stands_for = ALSO_CALLED[found]
    return term, f"{found}: {stands_for}" if stands_for else found
