"""What a column's heading says: its unit, what quantity it is and, where its words are plain, its role.

`TC 3` says neither whose temperature it is nor whether it is the furnace's or the work's: that stays a question.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import lru_cache

from loadbook.core.errors import IntakeError, Problem
from loadbook.core.outside import LONGEST_NAME
from loadbook.core.units import DIMENSIONS, unit_key

_BRACKET = re.compile(r"\s*[\[({]\s*([^\])}]*?)\s*[\])}]\s*$")
_TAIL = re.compile(
    r"(?:[\s_,/-]+|(?<=\w)(?=°))((?:°|deg\.?|grad|º|˚|Â°|℃|℉)\s?[CFK]?(?:\s?/\s?\w+)?|mbar|mTorr|Torr|kPa|hPa|Pa|micron|microns|psi|ppm|mV|%)$",
    re.IGNORECASE,
)
_BARE_TAIL = re.compile(r"^(.*(?:temp|thermo|tc|t/c)[a-z]*[ _.-]*\d*)[ _]+([CFK])$", re.IGNORECASE)
_JOINED_TAIL = re.compile(
    r"^(.+)_(mA|A|V|mV|kW|W|kWh|sccm|slpm|lpm|rpm|Hz|bar|mbar|psi|torr|Pa|kPa|pct|ppm|%|s|ms|min)$"
)
_DEGREE = re.compile(r"^(?:°|º|˚|Â°|\ufffd|\?|\*|o|deg\.?|degrees?)\s*([cfk])$", re.IGNORECASE)
_DEGREE_BEHIND = re.compile(r"^([cfk])\s?(?:°|º|˚|deg\.?)$")
_CYRILLIC = str.maketrans("ск", "ck")  # °С on a Russian keyboard
_WORDS = {
    "celsius": "c", "centigrade": "c", "gradc": "c", "grad c": "c", "fahrenheit": "f", "kelvin": "k", "℃": "c",
    "℉": "f", "volt": "v", "volts": "v", "millivolt": "mv", "millivolts": "mv", "amp": "a", "amps": "a",
    "watt": "w", "watts": "w", "percent": "%",
}  # fmt: skip
_MORE_UNITS = (
    "sccm slpm slm lpm gpm l/h l/s kg/h g mg kg mm um µm nm cm m/s ft/s n kn j/g mw uv µv kv kva kj mj"
    " khz mhz ghz ohm kohm counts count rh s ms sec min h hr mg/l mol m3 deg/s w/g mw/mg uv/mg inh2o bit bits lux db"
)
_INSIDE = re.compile(r"[°º˚]\s?([CFK])\b")
_SPELLED = re.compile(r"\b(celsius|centigrade|fahrenheit|kelvin)\b")
_OTHER_UNITS = frozenset(
    [
        "mv",
        "v",
        "a",
        "ma",
        "%",
        "pct",
        "ppm",
        "ppb",
        "kw",
        "w",
        "kwh",
        "rpm",
        "l/min",
        "m3/h",
        "nm3/h",
        "cfh",
        "scfh",
        "hz",
        *_MORE_UNITS.split(),
    ]
)
_PER = frozenset(["s", "sec", "min", "h", "hr", "hour"])


@dataclass(frozen=True)
class Heading:
    """A column's heading taken apart: name as in the file, the unit's key ('' where it carries none), quantity, role.

    quantity  temperature, pressure, dew point, oxygen, other, or '' where only a unit could tell
    role      a role of the vocabulary, 'ignore', or '' where the words do not say
    full      the heading as it stands in the file
    """

    name: str
    unit: str
    quantity: str
    role: str
    full: str = field(default="", repr=False, compare=False)


def unit_of(text: str) -> str:
    """The key of a unit as a recorder writes it, '' where the text is no unit.

    >>> unit_of("°C"), unit_of("Deg F"), unit_of("F/hr"), unit_of("mbar"), unit_of("left")
    ('c', 'f', 'f_per_h', 'mbar', '')
    """
    text = text.strip().strip("[](){}").strip()
    low = text.lower()
    if not 0 < len(low) <= 40:
        return ""
    if low in _WORDS:
        return _WORDS[low]
    if low == "ok":  # a status, not °K
        return ""
    low = low.translate(_CYRILLIC) if len(low) <= 3 else low
    match = _DEGREE.match(low) or _DEGREE_BEHIND.match(low)
    if match:
        return match.group(1).lower()
    if low in ("c", "f", "k"):
        return low
    if "/" in low or "_per_" in low or " per " in low:
        top, bottom = re.split(r"/|_per_| per ", low, maxsplit=1)
        above = unit_of(top)
        if above and bottom.strip() in _PER:
            return f"{above}_per_{ {'sec': 's', 'hr': 'h', 'hour': 'h'}.get(bottom.strip(), bottom.strip()) }"
        return low if low in _OTHER_UNITS else ""
    key = unit_key(low)
    if key in DIMENSIONS["pressure"] and low != "um":
        return key
    if low in _OTHER_UNITS:
        return low
    return ""


def take_apart(text: str) -> tuple[str, str]:
    """A heading's name and unit: 'TC 3 (°F)' is ('TC 3', 'f'); what is no unit stays in the name."""
    match = _BRACKET.search(text)
    if match:
        unit = unit_of(match.group(1))
        if unit and match.start() > 0:
            return text[: match.start()].strip(" ,_-"), unit
        if match.start() > 0 and not unit:  # K-Type, °C (serial number)
            name, unit = take_apart(text[: match.start()])
            if unit:
                return f"{name} {match.group().strip()}", unit
        return text.strip(), ""
    match = _TAIL.search(text)
    if match:
        unit = unit_of(match.group(1))
        if unit in ("c", "f", "k") and {u.lower() for u in _INSIDE.findall(text)} - {unit}:
            return text.strip(), ""  # °C/°F: either
        if unit:
            return text[: match.start()].strip(" ,_-"), unit
    match = _BARE_TAIL.match(text) or _JOINED_TAIL.match(text)
    if match:
        return match[1].strip(" ,_-"), unit_of(match[2])
    spelled = {_WORDS[w] for w in _SPELLED.findall(_words(text))} | {u.lower() for u in _INSIDE.findall(text)}
    return text.strip(), spelled.pop() if len(spelled) == 1 else ""


# the words of English headings, and the commonest of German, Spanish and French ones
_RATE = re.compile(r"\brates?\b|\bramp\b|\bslope\b|per (hour|hr|min)|/\s?(h|hr|min)\b")
_DIFFERENCE = re.compile(r"\bspread\b|\bdelta\b|δ|\bdifference\b|\bdiff\b|\bdeviation\b|\bdev\b|\bdt\b|\berror\b")
_SETPOINT = re.compile(
    r"\bsp\b|\bset ?points?\b|\bsetpt\b|\btarget\b|\bprogram(med)?\b|\bwsp\b"
    r"|\bsoll(wert)?\b|\bconsigna\b|\bconsigne\b"
)
_OVER = re.compile(r"\bover ?temp(erature)?\b|\bott?c?\b|\bhigh[- ]limit tc\b|\bexcess temp")
_LIMIT = re.compile(r"\blimits?\b|\balarms?\b|\bhi ?lim\b|\blo ?lim\b|\bhigh\b|\blow\b|\bhh\b|\bll\b")
_STATISTIC = re.compile(r"\bmin(imum)?\b|\bmax(imum)?\b|\bavg\b|\baverage\b|\bmean\b|\bhottest\b|\bcoldest\b")
_PRESSURE = re.compile(r"\bvac(uum)?\b|\bpress(ure)?\b|\bgauge\b|\bdruck\b|\bvakuum\b|\bpresi[oó]n\b|\bpression\b")
_DEW = re.compile(r"\bdew(point|pt)?\b|\bdp\b|\btaupunkt\b|\broc[ií]o\b|\bros[eé]e\b")
_OXYGEN = re.compile(r"\bo2\b|\boxygen\b|\blambda\b|\bsauerstoff\b|\box[ií]geno\b|\boxyg[eè]ne\b")
_CONTROL = re.compile(
    r"\bcontrol(ler)?\b|\bpv\b|\bzones?\b|\bfurnace\b|\bchamber\b|\bctrl\b"
    r"|\bregler\b|\bregelung\b|\bofen\b|\bhorno\b"
)
_NO_TEMPERATURE = re.compile(
    r"\b(out ?put|power|watts?|volt(age|s)?|current|amps?|amperage|ampere|level|flow|valves?|damper|speed|velocity|rpm"
    r"|duty|humidity|rh|position|stroke|weight|mass|length|displacement|strain|force|energy|kwh|heat ?flow"
    r"|frequency|resistance|ratio|status|alarm|state|mode|segment|step|cycle|batch|integral|proportional|derivative|gain"
    r"|count(er)?|co2|carbon|ch4|nh3|h2|n2|leistung|strom|spannung|f[uü]llstand|feuchte|potencia|nivel)\b"
)
_PHYSICAL = re.compile(  # what has a setpoint that is no temperature
    r"\b(out ?put|power|volt(age|s)?|current|amps?|level|flow|valves?|damper|speed|rpm|duty|humidity|position|carbon"
    r"|potential|cp|co2|ch4|nh3|h2|n2|fans?|blower)\b"
)
_OTHER_WORDS = re.compile(  # a word that says neither whose temperature it is, nor where it is taken
    r"\b(?!(?:control(?:ler)?|ctrl|pv|zones?|furnace|chamber|oven|kiln|regler|regelung|ofen|horno|zona|four|work"
    r"|parts?|load|pieces?|workpiece|charge|contact|werkst[uü]ck|bauteil|piezas?|pièces?|top|bottom|middle|cent(?:er|re)"
    r"|left|right|front|rear|back|upper|lower|main|side|inner|outer|inside|core|surface|wall|roof|floor|door|actual"
    r"|act|measured|process|value|ist|istwert|sensor|probe|no|nr|of|the|oben|unten|mitte|links|rechts)\b)[^\W\d_]{2,}"
)
_BARE_ZONE = re.compile(r"^(?:\w+ )?zone$")
_WORK = re.compile(
    r"\bwork\b|\bparts?\b|\bload\b|\bpieces?\b|\bworkpiece\b|\bcharge\b|\bcontact\b"
    r"|\bwerkst[uü]ck\b|\bbauteil\b|\bpiezas?\b|\bpièces?\b"
)
_TEMPERATURE_WORD = re.compile(r"temp|\btc\b|t/c|thermo|pyro|\bsp\b|set ?point|\bpv\b.*°")
_COUNTER = re.compile(r"^(no\.?|nr\.?|#|index|idx|sample|samples|record|rec|scan|row|line|seq|sequence|id|count|n)$")
_TIME = re.compile(r"\b(time|date|timestamp|datetime|clock|zeit|datum|uhrzeit|fecha|hora|heure|data|ora)\b")
_ELAPSED = re.compile(r"\belapsed\b|\bduration\b|\brun ?time\b|\brelative time\b|\btime since\b")
_PLAIN_TC = re.compile(
    r"^(tc|t/c|thermocouple|temp|temperature|t|ch|channel|input|ai|pt|sensor|probe|analog|tag)[ ._#-]*\d*[a-z]?$"
)


def only_process_value(name: str) -> bool:
    """Is a heading a controller's process value, with no word that says of what."""
    words = _words(name)
    return bool(re.search(r"\bpv\b", words)) and not _TEMPERATURE_WORD.search(words)


def is_counter(name: str) -> bool:
    """A record number, not a measurement, going by its heading."""
    return bool(_COUNTER.match(_words(name)))


def is_time(name: str) -> bool:
    """Does a heading name a time or a date."""
    return bool(_TIME.search(name.lower().replace("_", " ")))


def is_elapsed(name: str) -> bool:
    """A time since the start, going by its heading."""
    return bool(_ELAPSED.search(_words(name)))


@lru_cache(4_096)
def read_heading(text: str, unit: str = "") -> Heading:
    """Quantity and role of a heading; `unit` is one found elsewhere (a unit row, a unit column, the cells).

    >>> read_heading("Zone 1 PV (°C)")
    Heading(name='Zone 1 PV', unit='c', quantity='temperature', role='control')
    >>> read_heading("Ramp rate [°F/h]").quantity
    'other'
    >>> read_heading("Sollwert °C").role
    'setpoint'
    """
    return replace(_heading(" ".join(text.split()), unit), full=text)


def _heading(text: str, unit: str) -> Heading:
    text, number = _again(text)
    if len(text) > LONGEST_NAME:
        raise IntakeError(
            "a channel's name cannot be read",
            [Problem(f"it is longer than {LONGEST_NAME} characters", value=text[:60])],
            remedy="Is this the recorder's data file? --delimiter may help",
        )
    name, own = take_apart(text)
    name, unit = name + number, own or unit
    words = _words(name)
    if "_per_" in unit or _RATE.search(words):
        return Heading(name, unit, "other", "other")
    if _DIFFERENCE.search(words):
        return Heading(name, f"{unit}_diff" if unit in ("c", "f", "k") else unit, "other", "other")
    asked = bool(_SETPOINT.search(words))  # of a temperature it has a role of its own, of anything else none
    if asked and unit not in ("c", "f", "k") and _PHYSICAL.search(words):
        return Heading(name, unit, "other", "other")
    if unit in DIMENSIONS["pressure"]:
        return Heading(name, unit, *(("other", "other") if asked else ("pressure", "pressure")))
    if _DEW.search(words) and unit in ("", "c", "f", "k"):
        return Heading(name, unit, "dew point", "other" if asked else "dew point")
    if _OXYGEN.search(words) and unit not in ("c", "f", "k"):
        return Heading(name, unit, *(("other", "other") if asked else ("oxygen", "oxygen")))
    if unit and unit not in ("c", "f", "k"):
        return Heading(name, unit, "other", "other")
    if not unit and _NO_TEMPERATURE.search(words) and not _TEMPERATURE_WORD.search(words):
        return Heading(name, unit, "other", "other")
    if _PRESSURE.search(words) and not unit:
        return Heading(name, "", *(("other", "other") if asked else ("pressure", "pressure")))
    if not unit and _BARE_ZONE.search(words):  # which zone a row is of, or what it did there: no reading of one
        return Heading(name, "", "", "")
    role = _role(words)
    if not unit and role in ("control", "work") and not _TEMPERATURE_WORD.search(words) and _OTHER_WORDS.search(words):
        return Heading(name, "", "", "")  # the zone's fan, the tank's level: not its temperature for all that is known
    return Heading(name, unit, "temperature" if unit else _quantity(words), role)


def _again(text: str) -> tuple[str, str]:
    """A heading that comes again, apart from the ' #2' that its name was given."""
    match = re.search(r" #\d+$", text)
    return (text[: match.start()], match.group()) if match else (text, "")


def _quantity(words: str) -> str:
    known = (_SETPOINT, _OVER, _LIMIT, _STATISTIC, _CONTROL, _WORK, _PLAIN_TC)
    return "temperature" if any(p.search(words) for p in known) or "temp" in words or re.search(r"\btc", words) else ""


def _role(words: str) -> str:
    if _OVER.search(words):
        return "over-temperature"
    if _SETPOINT.search(words):
        return "setpoint"
    if _LIMIT.search(words) or _STATISTIC.search(words):
        return ""
    control, work = bool(_CONTROL.search(words)), bool(_WORK.search(words))
    if control == work:
        return ""
    return "control" if control else "work"


def _words(name: str) -> str:
    """Lower case, with digits and letters apart and marks as blanks, so that word patterns find words."""
    text = re.sub(r"[_\-.:]+", " ", name.strip().lower())
    return re.sub(r"(?<=[a-z])(?=\d)", " ", text).replace("o 2", "o2").strip()
