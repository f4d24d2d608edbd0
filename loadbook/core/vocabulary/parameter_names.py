"""Parameters by the names that people say: 'Heating rate, peak' for heating_rate_peak_c_per_h. Inputs take both."""

from __future__ import annotations

import re
from collections.abc import Sequence

from loadbook.core.figures import quantity, shown

NAMES: dict[str, str] = {
    "heating_rate_peak": "Heating rate, peak",
    "heating_rate_mean": "Heating rate, mean",
    "approach_rate": "Approach rate",
    "cooling_rate_peak": "Cooling rate, peak",
    "cooling_rate_mean": "Cooling rate, mean",
    "hold_start": "Hold, start",
    "hold_end": "Hold, end",
    "hold_minutes": "Hold, time in band",
    "hold_longest_excursion": "Hold, longest excursion",
    "hold_mean": "Hold temperature, mean",
    "hold_min": "Hold temperature, lowest",
    "hold_max": "Hold temperature, highest",
    "hold_overshoot": "Hold, overshoot",
    "hold_pressure_mean": "Hold pressure, mean",
    "hold_pressure_max": "Hold pressure, highest",
    "leak_up": "Leak-up rate",
    "early_hold_scatter": "Scatter of TCs at the early hold",
    "soak_minutes": "Soak",
    "furnace_soak_minutes": "Soak of the furnace",
    "spread_heating_peak": "Spread while heating, peak",
    "spread_soak_peak": "Spread during the soak, peak",
    "spread_cooling_peak": "Spread while cooling, peak",
    "lead_heating_peak": "Lead while heating, peak",
    "lead_cooling_peak": "Lead while cooling, peak",
    "start_control": "Start temperature of the furnace",
    "start_work": "Start temperature of the work",
    "cycle_hours": "Cycle time",
    "dose_hj": "Dose",
    "dose_hj_coldest": "Dose, coldest TC",
    "dose_hj_hottest": "Dose, hottest TC",
    "dose_equivalent_minutes": "Dose as minutes at the hold",
    "section_lag": "Section lag, estimated",
    "section_lag_measured": "Section lag, measured",
    "tc_faults": "TC faults",
}
# shorter names that are taken too, where nothing else could be meant before a run
_ALSO = {
    "heating rate": "heating_rate_peak_c_per_h",
    "cooling rate": "cooling_rate_peak_c_per_h",
    "hold temperature": "hold_mean_c",
    "hold": "hold_mean_c",
    "soak time": "soak_minutes",
    "soak minutes": "soak_minutes",
}
_UNIT = re.compile(r"_(c_per_h|mbar_per_h|mbar|min|c|h)$")
_SEGMENT = re.compile(r"_segment_(\d+)$")
_ABOVE = re.compile(r"_above_(minus)?(\d+)c(?=_|$)")
_EVENT = re.compile(r"^event_(.+)_(work|control)_c$")
_HOURS = re.compile(r"^hours_above_(minus)?(\d+)c(_work)?$")


def spoken(parameter: str, system: str = "si") -> str:
    """A parameter's name as people say it, a temperature in it in the reader's unit; any other name as it is.

    >>> spoken("heating_rate_peak_c_per_h"), spoken("soak_minutes_segment_4"), spoken("hours_above_600c_work", "us")
    ('Heating rate, peak', 'Soak, segment 4', 'Hours of the coldest work TC above 1112 °F')
    >>> spoken("cooling_rate_peak_above_427c_work_c_per_h", "us"), spoken("event_door_opened_work_c"), spoken("setup")
    ('Cooling rate, peak, of work, above 801 °F', 'Work temperature at: door opened', 'setup')
    """
    if found := _HOURS.match(parameter):
        who = " of the coldest work TC" if found.group(3) else ""
        return f"Hours{who} above {_temperature(found.group(1), found.group(2), system)}"
    if found := _EVENT.match(parameter):
        who = "Work" if found.group(2) == "work" else "Furnace"
        return f"{who} temperature at: {found.group(1).replace('_', ' ')}"
    rest, tail = parameter, ""
    if found := _SEGMENT.search(rest):
        rest, tail = rest[: found.start()], f", segment {found.group(1)}"
    if found := _ABOVE.search(rest):
        tail = f", above {_temperature(found.group(1), found.group(2), system)}{tail}"
        rest = rest[: found.start()] + rest[found.end() :]
    rest = _UNIT.sub("", rest)
    for ending, words in (("_piece", ", within a piece"), ("_work", ", of work")):
        if rest not in NAMES and rest.endswith(ending):
            rest, tail = rest.removesuffix(ending), words + tail
    name = NAMES.get(rest) or NAMES.get(rest.replace("_work", ""))
    return parameter if name is None else name + tail


def headings(columns: Sequence[str], system: str) -> list[str]:
    """What heads columns of treatments, whose cells say the unit.

    >>> headings(["heating_rate_peak_c_per_h", "section_thick_mm", "setup"], "us")
    ['Heating rate, peak', 'section_thick', 'setup']
    """
    said = [spoken(name, system) for name in columns]
    return [w.removesuffix(f"_{quantity(name)}") if w == name else w for w, name in zip(said, columns, strict=True)]


def parameter_of(text: str) -> str:
    """The key of a parameter that is named by its key or as people say it; any other text as it is.

    >>> parameter_of("Heating rate, peak"), parameter_of("heating rate"), parameter_of("soak_minutes")
    ('heating_rate_peak_c_per_h', 'heating_rate_peak_c_per_h', 'soak_minutes')
    >>> parameter_of("spread while heating, peak"), parameter_of("setup")
    ('spread_heating_peak_c', 'setup')
    """
    from .parameters import TERMS

    plain = _plain(text)
    if plain in _ALSO:
        return _ALSO[plain]
    known = {_plain(spoken(t.name)): t.name for t in TERMS if "<" not in t.name}
    return known.get(plain, text.strip())


def celsius_of(name: str) -> str | None:
    """The key of a parameter that is named by its key with the other unit, None for any other name.

    >>> celsius_of("heating_rate_peak_f_per_h"), celsius_of("hold_mean_f"), celsius_of("setup")
    ('heating_rate_peak_c_per_h', 'hold_mean_c', None)
    """
    key, count = re.subn(r"_f(_per_h)?$", r"_c\1", name.strip())
    return key if count and spoken(key) != key else None


def _plain(text: str) -> str:
    return " ".join(text.casefold().replace(",", " ").split())


def _temperature(minus: str | None, number: str, system: str) -> str:
    return shown(-float(number) if minus else float(number), "c", system)
