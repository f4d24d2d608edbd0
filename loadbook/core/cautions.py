"""Cautions that people must see where they belong: on pages, with answers, beside plans. One wording for all.

They are reminders, not a safety case: local codes, the furnace maker's instructions and licensed practice decide.
"""

from __future__ import annotations

from collections.abc import Iterable

REACTIVE_FAMILIES = ("titanium", "zirconium", "niobium", "tantalum", "refractory")
VOLATILE = ("cadmium", "zinc", "galvanised", "lead", "beryllium", "magnesium", "brass")

# what follows from a load, by the codes of core/remarks.py
LOAD = {
    "inert_gas": (
        "Inert gas displaces air: below 19.5 % oxygen an atmosphere is dangerous, vessels hold pockets of gas "
        "after opening, argon sinks. Never reach in or enter without an oxygen reading and a permit."
    ),
    "hydrogen": "Hydrogen has its own code.",
    "reactive": "Reactive metals need vacuum or dry inert gas.",
    "hollow": "Vent hollow parts; load dry.",
    "volatile": "Cadmium, zinc, lead, beryllium, magnesium: ask first.",
}
HOT = "Hot work, hot doors: at {120 c} it still burns, and the hottest work TC is not the hottest point of the load."
NO_ALARM = "loadbook reads files and advises: it is not an alarm, interlock or controller."
CODE = (
    "A limit from a code or a customer's specification overrules anything here. Pressure equipment and flight parts "
    "follow their own code, and the decision belongs to licensed or authorised people."
)


def of_load(
    atmosphere: str | None, families: Iterable[str | None], reactive: bool | None, described: Iterable[str | None] = ()
) -> list[str]:
    """Codes of LOAD that follow from a load: its gas, its materials, and what its pieces are described as.

    atmosphere  all that it meets, in words ("vacuum, argon");  described  descriptions and conditions of its pieces

    >>> of_load("argon", ["titanium"], None)
    ['inert_gas', 'reactive']
    """
    out = []
    gas = (atmosphere or "").lower()
    known = [(f or "").lower() for f in families]
    if any(word in gas for word in ("nitrogen", "argon", "inert", "vacuum", "helium")):
        out.append("inert_gas")
    if "hydrogen" in gas:
        out.append("hydrogen")
    if reactive or any(f in REACTIVE_FAMILIES for f in known):
        out.append("reactive")
    text = " ".join(d for d in described if d).lower()
    if any(word in text for word in ("hollow", "tube", "vessel", "sealed", "closed")):
        out.append("hollow")
    if any(word in " ".join([text, *known]).split() for word in VOLATILE):
        out.append("volatile")
    return out
