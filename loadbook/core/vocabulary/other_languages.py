"""Headings and kinds of characteristics as inspectors' sheets have them in German, French, Spanish and Italian.

Nothing is read by these words: they name what was probably meant, so that whoever sends the sheet can say it.
"""

from __future__ import annotations

from collections.abc import Iterable

from loadbook.core.phrases import did_you_mean
from loadbook.core.wording import key

# what it is called here (several where the word leaves it open): the words
_WORDS: dict[tuple[str, ...], str] = {
    ("part",): "Teil Teilenummer Teile-Nr Sachnummer Artikel Bauteil pièce référence pieza pezzo particolare codice",
    ("serial",): "Seriennummer Serien-Nr Stück-Nr numéro-de-série número-de-serie matricola numero-di-serie",
    (
        "characteristic",
    ): "Merkmal Prüfmerkmal Maß caractéristique cote característica cota caratteristica quota feature",
    ("stage",): "Zustand Zeitpunkt état moment estado stato",
    ("value",): "Istwert Ist Ist-Maß Messwert Wert valeur mesure valor medida valore misura valore-misurato",
    ("before",): "vorher vor avant antes prima",
    ("after",): "nachher nach après después dopo",
    ("run",): "Charge Chargennummer Chargen-Nr Ofenfahrt charge lote carga carica lotto",
    ("furnace",): "Ofen four horno forno",
    ("material",): "Werkstoff matériau matière materiale acero",
    ("started",): "Beginn Start début inicio inizio begin",
    ("ended",): "Ende fin fine end",
    ("length",): "Länge longueur longitud lunghezza",
    ("width",): "Breite largeur anchura ancho larghezza",
    ("thickness",): "Dicke Wanddicke épaisseur espesor spessore",
    ("distance",): "Abstand Höhe distancia distanza hauteur altura altezza",
    ("angle",): "Winkel ángulo angolo",
    ("outside diameter", "inside diameter"): "Durchmesser diamètre diámetro diametro",
    ("outside diameter",): "Außendurchmesser diamètre-extérieur diámetro-exterior diametro-esterno",
    ("inside diameter",): "Innendurchmesser Bohrung alésage diamètre-intérieur diámetro-interior diametro-interno foro",
    ("straightness",): "Geradheit rectitude rectitud rettilineità",
    ("flatness",): "Ebenheit planéité planitud planeza planarità",
    ("circularity",): "Rundheit circularité redondez circularidad circolarità rotondità",
    ("cylindricity",): "Zylindrizität Zylinderform cylindricité cilindricidad cilindricità",
    ("parallelism",): "Parallelität parallélisme paralelismo parallelismo",
    ("perpendicularity",): "Rechtwinkligkeit perpendicularité perpendicularidad perpendicolarità",
    ("angularity",): "Neigung inclinaison angularidad inclinación inclinazione",
    ("circular runout", "total runout"): "Rundlauf Planlauf battement oscilación oscillazione salto",
    ("total runout",): "Gesamtrundlauf Gesamtlauf battement-total",
    ("hardness",): "Härte dureté dureza durezza",
    ("residual stress",): "Eigenspannung contrainte-résiduelle tensión-residual tensione-residua",
    ("case depth",): "Einhärtetiefe Einsatzhärtungstiefe Härtetiefe profondeur-de-trempe",
}
_MEANT = {key(word): terms for terms, words in _WORDS.items() for word in words.split()}


def meant_by(word: str, known: Iterable[str]) -> str:
    """The beginning of a remedy, with a blank after it: the known word that is meant by one of another language, or is
    like a mistyped one; empty where there is none.

    >>> meant_by("Ebenheit", ["flatness"]), meant_by("Serien-Nr.", ["serial"]), meant_by("flatnes", ["flatness"])
    ("Did you mean 'flatness'? ", "Did you mean 'serial'? ", "Did you mean 'flatness'? ")
    >>> meant_by("Durchmesser", ["outside diameter", "inside diameter"]), meant_by("vorher (mm)", ["before_mm", "part"])
    ("Did you mean 'outside diameter' or 'inside diameter'? ", "Did you mean 'before_mm'? ")
    """
    names = list(known)
    stem, _, unit = word.partition("(")
    said = [*_MEANT.get(key(word), ()), *_MEANT.get(key(stem), ())]
    ends = [f"{term}_{key(unit)}" for term in said] if unit else []
    found = [t for t in dict.fromkeys((*ends, *said)) if t in names]
    return f"Did you mean {' or '.join(map(repr, found))}? " if found else did_you_mean(word, names)
