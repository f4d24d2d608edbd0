"""The trade's own words for how pieces stand, what is done to them, where and with what.

They name no customer, no person and no record. A text of these words alone tells nothing of whose work it is, so that
a publication to other plants may show it as it stands; anything else a shop writes in such a column is its own.
"""

from __future__ import annotations

import re
from functools import cache

from loadbook.core.vocabulary import intake_kinds
from loadbook.core.vocabulary.lookup import terms

from .wording import words

# letters of datums and positions, small numbers of rows and levels, temperatures in a parameter's name
_MARK = re.compile(r"[a-z]?\d{0,2}|\d{1,4}c")

_LISTED = """
a an and as at back between by for from in into near no none not of off on or other out over per the to under up with
without yes big different issue mixed new normal old rev revision same small special standard unknown usual various

above below bottom center centre column corner door edge end ends face far first front high higher hole holes horizontal
inner inside last layer left level load low lower middle outer outside place position rear right row shelf side sides
stack tier top upper vertical zone zones

basket baskets bed bolts box crate fixture fixtured fixtures grid hook hooks hung laid lying mandrel pallet plate plates
quench rack racked racks rod rods sand setters shim shimmed shims single stacked stand standing stood support supported
supports tray trays wire wires

attached bore ceramic clamped contact core drilled dummy flange flanges flat hub pressed rim root seat section shoulder
skin spot surface tack teeth thick thin tied tip touching wall web

annealed aged arrived bar bars bent cast casting castings cold delivered drawn fabricated finish finished forged
forging forgings formed fully ground hardened hot machined normalised normalized part partly pre premachined quenched
received relieved rolled rough roughed sawn semi sheet solution stabilised stabilized straightened stress strip tempered
treated weld welded weldment

assembling assembly balancing bending blasting boring broaching brushing burnishing carburising carburizing clamping
cleaning coating cutting deburring degreasing drilling eroding etching forming grinding hardening honing inspecting
inspection lapping machining marking measuring milling nitriding painting peening pickling plating polishing pressing
rolling run sandblasting sawing shot shotblasting sizing straightening stripping tapping tempering testing thread
threading transport turning unclamping washing welding withheld

beam bearing blade block body bolt bracket bush bushing case casing cone cover cylinder die disc disk frame gear guide
housing insert lever manifold nozzle nut pin pinion pipe profile punch ring rings roller rotor screw segment shaft
sleeve spindle spring stud tube valve washer wheel

air ammonia argon atmosphere carbon dioxide dissociated dry endogas endothermic exogas exothermic gas gases helium
hydrogen inert methanol natural nitrogen oil oxygen partial pressure propane protective salt steam vacuum water wet

age ageing aging anneal annealing austempering bake baking braze brazing carbonitriding degas degassing full harden heat
homogenise homogenising homogenize homogenizing isothermal martempering nitrocarburising nitrocarburizing normalise
normalising normalize normalizing post precipitation preheat process recrystallisation recrystallization relief relieve
relieving sinter sintering soft spheroidise spheroidize stabilise stabilising stabilize stabilizing temper treat
treating treatment

alloy aluminium aluminum austenitic base brass bronze cobalt copper ductile duplex engineering ferritic grade gray grey
iron magnesium malleable maraging martensitic nickel nodular speed stainless steel steels structural super superalloy
titanium tool wrought

aborted alarm backfill backfilled began begin closed cool cooled cooling ended fan heating held hold leak loaded lost
open opened plugged power program pump pumped pumps purge purged restored restarted resumed start started stop stopped
switched temperature thermocouple thermocouples transferred unloaded unplugged

check checks dwell equalisation equalise equalising equalization equalize equalizing purpose ramp slow soak

axis centreline centerline centres centers datum down mark marked rotated turned upside way

angle caliper calipers cmm comparator coordinate depth dial encoder gage gauge hardness height indicator laser length
machine micrometer micrometre plug profilometer projector roughness roundness ruler scanner scope snap step straight
straightness table tester thickness tracker

atm bar brinell c deg degree degrees f ft h hb hbw hk hour hours hpa hr hra hrb hrc hv in inch inches k kg kpa lb m ma
mbar mg mil min minute minutes mm mpa ms mtorr mv n pa percent ppb ppm psi rockwell s second seconds torr um v vickers
vol μm

actual average coldest hottest max maximum mean minimum peak rate
"""
# what the program itself writes into such columns
_CODES = """
any be cannot certain clause confirmed control current cycle dew diff distance event fault fraction gap kept broken once
oxygen piece point proportion reading refused reported restart pause spread lead suspected tcs told time trace
withdrawn work
"""


@cache
def trade_words() -> frozenset[str]:
    """Every word that tells nothing of whose work it is: the list above, and all that an intake column may be chosen
    from, and the names of parameters and sensor faults."""
    choices = (c for kind in intake_kinds.KINDS for column in kind.columns for c in column.choices)
    names = (t.name for t in terms().values() if t.kind in ("parameter", "fault"))
    return frozenset(w for text in (_LISTED, _CODES, *choices, *names) for w in words(text))


def is_plain(text: str) -> bool:
    """Whether a text is of the trade's words alone (and letters and small numbers, as datums and rows have them).

    >>> is_plain("front lower left, row 3"), is_plain("hung beside R26-139"), is_plain("as Meier likes it")
    (True, False, False)
    """
    known = trade_words()
    return all(w in known or _MARK.fullmatch(w) for w in words(text))


def plain_part(text: str) -> str:
    """The trade's words of more than one letter in a text, without the rest.

    >>> plain_part("thick section of the Meier ring")
    'thick section of the ring'
    """
    known = trade_words()
    return " ".join(w for w in words(text) if w in known and len(w) > 1)
