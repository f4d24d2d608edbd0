"""Every sentence of a letter, by key, in English: the one place to translate. Fields stand in {braces} by name.

A field holds a figure with its unit, a name that the letter may say (filter.py), what a person typed for the letter, or
another entry of this table. `X.one` and `X.many` are a count's two forms. A phrase of the trade (core/trade_phrases.py)
that a letter says in another way stands in TERMS; the others are said as they are.
"""

from __future__ import annotations

from typing import Any

TEXT: dict[str, str] = {
    # -- the head
    "kind": "Answer to an enquiry",
    "answer": "Our answer",
    "letter.of": "Letter {reference}",
    "ours": "Our reference",
    "yours": "Your reference",
    "date": "Date",
    "reference.answer": "answer {number}",
    "reference.order": "order {order}",
    "reference.job": "our job {job}",
    "reference.revision": "drawing revision {revision}",
    "attention": "For the attention of {name}",
    "salutation": "Dear Sir or Madam,",
    "salutation.named": "Dear {name},",
    "subject": "{what} after {process}: our answer to your enquiry",
    "subject.of": "{what} after {process}: our answer to your enquiry of {date}",
    "asked": "You asked: {question}",
    "what.part": "{part}, {kind}",
    "what.named": "{part}, {name} ({kind})",
    "what.new": "A new part ({words})",
    "movement": "movement",
    "heat treatment": "heat treatment",
    "closing": "Yours faithfully,",
    "closing.named": "Yours sincerely,",
    "closing.us": "Sincerely,",
    "page": "page {n} of {of}",
    "foot": "Given on {date} and shown as it was given.",
    "marking.both": "Confidential and export-controlled: for the addressee alone.",
    "marking.confidential": "Confidential: for the addressee alone.",
    "marking.export_controlled": "Export-controlled: for the addressee alone.",
    # -- figures, dates and lists
    "um.si": "{n} µm",
    "um.us": "{n} thousandths",
    "um.us.one": "{n} thousandth",
    "um.us.first": "{n} thousandths of an inch",
    "percent": "{n} %",
    "over": "over {n}",
    "under": "under {n}",
    "to": "{low} to {high}",
    "date.si": "{day} {month} {year}",
    "date.us": "{month} {day}, {year}",
    "months": "January February March April May June July August September October November December",
    "months.short": "Jan Feb Mar Apr May June July Aug Sept Oct Nov Dec",
    "run.one": "{n} run",
    "run.many": "{n} runs",
    "piece.one": "{n} piece",
    "piece.many": "{n} pieces",
    "part.one": "{n} part number",
    "part.many": "{n} part numbers",
    "later.one": "{n} later run",
    "later.many": "{n} later runs",
    "reading.one": "{n} reading",
    "reading.many": "{n} readings",
    "share.nine": "9 in 10 pieces",
    "share.nineteen": "19 in 20 pieces",
    "share.any": "{share} of the pieces",
    # -- our answer
    "expect.form": "We expect about {middle} more {error}; for {pieces}, {low} to {high}.",
    "expect.form.less": "We expect about {middle} less {error}; for {pieces}, {low} to {high} (minus: less).",
    "expect.form.of": "From the {before} that {whose} usually show before the run, that gives {after_low} to {after_high} after it: a change of {low} to {high}.",
    "whose.part": "they",
    "whose.kind": "such pieces",
    "whose.question": "your pieces",
    "expect.form.given": "From the {before} that you named, that gives {after_low} to {after_high} after the run: a change of {low} to {high}.",
    "expect.form.after": "From the {before} that {whose} usually show before the run, that gives {after_low} to "
    "{after_high} after it.",
    "expect.form.after.given": "From the {before} that you named, that gives {after_low} to {after_high} after the run.",
    "expect.size": "We expect about {middle}; for {pieces}, {low} to {high}.",
    "expect.percent": "We expect the form error to change by about {middle} of what it is before the run; for {pieces}, by "
    "{low} to {high}.",
    "larger": "{size} larger",
    "smaller": "{size} smaller",
    "no change": "no change",
    "inside.drawing": "{how_many} of the pieces should stay within the {limit} of your drawing.",
    "inside.size": "{how_many} of the pieces should stay within the {limit} between the limits of your drawing.",
    "inside.lower": "{how_many} of the pieces should stay above the lower limit of your drawing.",
    "inside.upper": "{how_many} of the pieces should stay below the upper limit of your drawing.",
    "inside.asked": "{how_many} of the pieces should stay within the {limit} that you asked about.",
    "inside.share": "{share} ({low} to {high})",
    "inside.sure": "More than 99 %",
    "inside.before": "Before the run: {share}.",
    "inside.middle": "That is for pieces that begin in the middle of them.",
    "holds": "This holds for {how}.",
    "asked for": "Asked for: {how}.",
    "refused": "We cannot give a figure yet: {why}.",
    "never run": "We cannot give a figure: we never ran such pieces so (see below), and what we ran tells too little of "
    "it.",
    "no reason": "our history of such pieces is too short, or not fit to answer from",
    "cycle": "our cycle {cycle}",
    "cycle.revision": "our cycle {cycle}, revision {revision}",
    "heating_rate_peak_c_per_h": "heating at up to {value}",
    "hold_mean_c": "{value} at the hold",
    "soak_minutes": "{value} of soak",
    "cooling_rate_peak_c_per_h": "cooling at up to {value}",
    "setup": "{pieces} {setup}",
    "setup.usual": "{pieces} {setup}, as in most of its runs",
    "setup.lately": "{pieces} {setup}, as in the last runs",
    "atmosphere": "in {atmosphere}",
    "atmosphere.alone": "runs in {atmosphere}",
    "before": "pieces that arrive at about {before}",
    "pieces": "pieces",
    # -- the picture
    "axis.after.si": "µm {error} after the run",
    "axis.after.us": "thousandths of an inch {error} after the run",
    "axis.moved.si": "µm; plus: larger, minus: smaller",
    "axis.moved.us": "thousandths of an inch; plus: larger, minus: smaller",
    "axis.moved.form.si": "µm {error}; plus: more, minus: less",
    "axis.moved.form.us": "thousandths of an inch {error}; plus: more, minus: less",
    "axis.percent": "% of the form error before",
    "axis.other": "change",
    "limit.drawing": "{limit} on your drawing",
    "limit.asked": "{limit}, as you asked",
    "limit.middle": "{limit} for a piece from the middle",
    "limit.given": "{limit} for a piece that arrives at {before}",
    "own.all": "your runs: lowest to highest piece, and mean",
    "own.converted": "your runs, each as if it had begun at {before}",
    "own.more": "The newest {shown} of your {runs} are drawn; the {earlier} before lie between {low} and {high}.",
    "own.broken": "{date}: {how}",
    "own.dated": "{run}, {date}",
    "own.other": "{run}, {part}",
    "bound": "{share} stay below",
    "bound.size": "{share} stay on this side",
    "alt": "What we expect on an axis of {axis}: {low} to {high}, middle {middle}.",
    "alt.limit": "Line: {limit}.",
    "alt.own": "{runs} of yours between {low} and {high}.",
    # how a run of theirs missed its cycle
    "heat rate": "heated faster than asked",
    "heat rate.under": "heated slower than asked",
    "cool rate": "cooled faster than asked",
    "cool rate.under": "cooled slower than asked",
    "soak": "soaked shorter than asked",
    "soak at most": "soaked longer than asked",
    "hold upper edge": "hotter at the hold than asked",
    "hold lower edge": "colder at the hold than asked",
    "target": "did not reach its temperature",
    "spread": "temperatures further apart than allowed",
    "lead": "the furnace ran further ahead of the pieces than allowed",
    "over-temperature": "hotter than allowed",
    "start": "started in a furnace that was too hot",
    "door": "door opened while too hot",
    "backfill": "gas let in while too hot",
    "work TCs": "fewer thermocouples than asked",
    "gap": "a gap in its record",
    "pressure": "pressure higher than asked",
    "other clause": "a limit of its cycle was not kept",
    # -- what it rests on
    "rests": "What it rests on",
    "rests.own": "{runs} of your part ({pieces}), {first} to {last}; {all} of this kind in all ({all_pieces}, "
    "{parts}).",
    "rests.own.once": "{runs} of your part ({pieces}), on {first}; {all} of this kind in all ({all_pieces}, {parts}).",
    "known.own": "{runs} of your part ({pieces}), {first} to {last}.",
    "known.own.once": "{runs} of your part ({pieces}), on {first}.",
    "rests.beyond.one": "In {n} of your runs the worst piece came out beyond {limit}: {runs}.",
    "rests.beyond.many": "In {n} of your runs the worst piece came out beyond {limit}: {runs}.",
    "rests.all": "{runs} of this kind ({pieces}, {parts}).",
    "rests.material": "Nearest to it are pieces of the same material.",
    "rests.family": "Nearest to it are pieces of the same family of materials.",
    "rests.part": "Nearest to it are other sizes of your part.",
    "rests.kind": "Nothing on record is nearer to it than the same kind of characteristic.",
    "rests.others": "Among the nearest are, of other customers: {classes}.",
    "class.similar": "{n} runs of similar {things}",
    "class.family": "{n} runs of {things} of {family}",
    "class.things": "{n} runs of {things}",
    "rests.broken.one": "{n} of your runs did not keep to its cycle (marked × in the picture); it is counted.",
    "rests.broken.many": "{n} of your runs did not keep to their cycle (marked × in the picture); they are counted.",
    "few_read_after": "Of {of} readings before the run {read} have one after it: the figure is of such pieces as were "
    "read again, and the others may have moved otherwise.",
    "set_aside.one": "{n} piece is left out, for want of a usable reading before or after; pieces that were not "
    "measured, cracked or were straightened may have moved more.",
    "set_aside.many": "{n} pieces are left out, for want of a usable reading before or after; pieces that were not "
    "measured, cracked or were straightened may have moved more.",
    "blunders": "Counted, though doubtful: {readings} that lie far from the rest of the run.",
    "blunders.without": "Counted, though doubtful: {readings} that lie far from the rest of the run; without them it "
    "would be {low} to {high}.",
    "factor_not_recorded": "Our records do not tell the {factor}: it has no say in the figure.",
    "since_break": "We have {runs} since the last change in our shop; what came before counts for less.",
    "looks_further": "The last comparable run was more than a year before the day you asked about.",
    "level_widened": "Our last {runs} moved otherwise than those before: the interval is {times} times as wide for it.",
    "test_short": "On our later runs such intervals held {held}, not the {content} aimed at: this one is {times} times "
    "as wide for it.",
    "factor.setup": "setup",
    "factor.atmosphere": "atmosphere",
    "factor.furnace": "furnace",
    "table.caption": "Your runs that come nearest, {axis}",
    "table.run": "your run",
    "table.date": "date",
    "table.pieces": "pieces",
    "table.low": "lowest",
    "table.mean": "mean",
    "table.high": "highest",
    "table.kept": "its cycle",
    "table.kept.yes": "kept",
    "how": "How to measure",
    # -- how such answers did
    "did": "How such answers held",
    "did.later": "{promised} promised, {held} held ({low} to {high}), on {runs} of ours, each predicted from what came before "
    "it.",
    "did.parts": "{promised} promised, {held} held ({low} to {high}), with each of our part numbers left out in turn.",
    "did.first": "{promised} promised, {held} held ({low} to {high}), on the first runs of part numbers new to us.",
    "did.year": "In the last 12 months: {held}.",
    "did.outside": "We make no claim how often such an answer holds: it lies outside what was ever run.",
    "did.model": "Its width comes from a statistical model; our history is too short to test it on.",
    "did.untested": "Its width was tested on our own past; there is no further run left to judge that test by.",
    "did.left.run": "{promised} promised, {held} held ({low} to {high}), with each of our runs left out in turn.",
    "did.left.part": "{promised} promised, {held} held ({low} to {high}), with each of our part numbers left out in "
    "turn.",
    # -- what would change it
    "change": "What would change it",
    "change.little": "More runs would hardly narrow it: it is {width} wide, and {least} of that is how much runs and pieces "
    "differ.",
    "change.runs": "The interval is {width} wide. After 4 more measured runs it would be about {four}, after 16 about "
    "{sixteen}; {least} is how much runs and pieces differ, whatever is measured.",
    "change.never_run": "After 4 measured runs of this kind we could say within about {four} where {pieces} come to lie, "
    "after 16 within about {sixteen}; {least} is how much runs and pieces differ, whatever is measured.",
    "setting_never_run": "We never ran such pieces with {asked} (only {low}): what happens there we do not know.",
    "setting_never_run.range": "We never ran such pieces with {asked} (only {low} to {high}): what happens there we do "
    "not know.",
    "level_never_run": "We never ran such pieces {level}: what that does we do not know.",
    "level_never_run.setup": "We never ran such pieces set up as asked: what that does we do not know.",
    "level_never_run.atmosphere": "We never ran such pieces in the atmosphere asked for: what that does we do not know.",
    "level_never_run.furnace": "We never ran such pieces in the furnace asked for: what that does we do not know.",
    "together_never_run": "We ran each of these settings, but never all of them so far from the usual ones.",
    # -- what we suggest
    "suggest": "What we suggest",
    "stock": "Leave {stock} of stock per side: it takes up the {against} of {content} of the pieces, with {confidence} "
    "confidence.",
    "against.shrinkage": "shrinkage",
    "against.growth": "growth",
    "against.increase": "increase",
    "protect": "Vacuum or dry inert gas: {why}.",
    "why.reactive": "{family} reacts with air when hot",
    "why.reactive.unnamed": "the material reacts with air when hot",
    "why.finished": "the surfaces are finished, and scale and discolouration would stay",
    "air": "Air will do: {stock} of stock per side is left, which takes the scale off.",
    "own_cycle": "Cycle {cycle}: of {of} cycles that your part went through, its {runs} moved the pieces least on "
    "average. That goes with the cycle; it does not prove that the cycle is why.",
    "thermocouples": "Thermocouples: {places}.",
    "tc_thickest": "thickest section",
    "tc_thickest.mm": "thickest section ({mm})",
    "tc_thinnest": "thinnest section",
    "tc_thinnest.mm": "thinnest section ({mm})",
    "tc_middle": "a piece in the middle of the load",
    "tc_coldest_corner": "a piece in the coldest corner of our last survey",
    "tc_own_coldest_place": "{place} (at the hold the coldest of its piece on {n} of {of} pieces of yours)",
    "hollow": "Closed hollow spaces need a vent; please send pieces clean and dry.",
    "volatile": "Please tell us of any plating and of any cadmium, zinc, lead, beryllium or magnesium before you send "
    "pieces.",
    # -- what this is not
    "not": "What this is not",
    "not.promise": "A promise: it is history, and tells what happened to such pieces in our furnaces, not what later "
    "machining releases. A limit from a code, a drawing or your specification comes first.",
    # -- a refusal
    "known": "What we know already",
    "known.none": "Of this kind we have no reading from before and after {process}.",
    "known.caption": "Your runs so far: {axis}",
    "measure": "What to measure",
    "measure.what": "what",
    "measure.many": "how many",
    "measure.gauge": "with which gauge",
    "measure.when": "when",
    "measure.before": "{kind}, before",
    "measure.after": "{kind}, after",
    "measure.times": "{runs}, every piece",
    "measure.repeats": "{runs} of part numbers that we ran before, every piece",
    "measure.parts": "{parts} more of this kind, every piece",
    "measure.how": "Read each piece before and after in the same way: the same gauge and points, held and supported the same way, clean, at one temperature.",
    "measure.setup": "Tell us how the pieces are to stand, hang or lie, and we will keep to it: how they are set up can move them as much as any setting.",
    "measure.then": "With these we can say how far 9 in 10 pieces will move, and how many of them should stay within your tolerance.",
    "measure.run": "Each run",
    "measure.run.gauge": "our recorder, with thermocouples at the thickest and the thinnest section",
    "measure.run.when": "we see to it, from start to unloading",
    "measure.run.many": "all of them",
    "measure.start": "at least 8 runs, 4 of them repeats of a part number, every piece",
    "measure.steps": "a few pieces, treated so or in steps towards it",
    "measure.any": "every piece of each run",
    "measure.same": "the same pieces",
    "measure.gauge.tenth": "one that is sure to {tenth}, a tenth of your tolerance",
    "measure.gauge.fine": "one that is much finer than the movement that matters",
    "measure.gauge.same": "the same gauge, held the same way",
    "measure.when.before": "after the last machining, clean, at {room}",
    "measure.when.after": "at {room}, before machining or straightening",
    "measure.length": "Please tell us the length over which it is measured (diameter, length or span).",
    "measure.size": "Please ask about a size or a form error: we keep this figure, but it does not move in that sense.",
    "measure.unlike": "Or ask for {atmospheres}, which we have run.",
    "physics": "What physics says",
    "physics.lead": "Checks of what can act on your pieces in the cycle asked for; none of them gives a figure for movement.",
    "physics.section": "surface and middle of the section differ by {apart} at the worst moment",
    "physics.pair": "thick and thin sections differ by {apart} at the worst moment",
    "physics.elastic": "Uneven heat: {who}; the metal yields from {limit} on, so it adds no movement.",
    "physics.yields": "Uneven heat: {who}; the metal yields from {limit} on, so it can move the pieces.",
    "physics.needs": "Uneven heat: {who}; it adds no movement where the metal yields above {needs} at {room}.",
    "physics.relief": "Residual stress: heating to {at} alone brings one as high as the yield down to {left}; as it goes, "
    "pieces move.",
    "physics.no_relief": "Residual stress: heating to {at} alone relieves nothing.",
    "physics.size": "The metal itself: ageing changes its length by {change}, as published.",
    "physics.colour": "Air: the surface colours, without heavy scale.",
    "physics.scale": "Air: scale takes at most {lost} per side.",
    "physics.leaves": "Vacuum: {element} leaves the surface at {at}; a partial pressure of gas holds it.",
    "element.Cr": "chromium",
    "element.Mn": "manganese",
    "element.Zn": "zinc",
    "element.Cd": "cadmium",
    "element.Ag": "silver",
    "element.Pb": "lead",
    "never_measured": "{kind} was never measured before and after {process}",
    "all_set_aside.one": "the {n} reading of {kind} that we have cannot be used",
    "all_set_aside.many": "none of the {n} readings of {kind} that we have can be used",
    "gauge_too_coarse": "{share} of the movements on record are smaller than what their gauge can tell, typically "
    "{gauge}",
    "length_not_known": "the length over which it is measured is not known to us",
    "kept_only": "{kind} is kept, and does not move as a size does",
    "no_scatter": "every reading on record is the same, so how far pieces spread cannot be told",
    "too_few_runs.one": "we have measured {n} run of it so far, and a figure takes {needed}",
    "too_few_runs.many": "we have measured {n} runs of it so far, and a figure takes {needed}",
    "too_few_repeats": "of our {runs} only {repeats} repeat a part number, and it takes {needed} to tell how runs of one "
    "part number differ",
    "too_few_parts": "we measured {parts} of this kind so far, and a new one takes {needed}",
    "atmosphere_never_run": "we never ran such pieces in {atmosphere}",
    "never_run_so": "we never ran such pieces so",
    "far_beyond": "we never ran such pieces anywhere near so",
    "beyond_untold": "we never ran such pieces so, and what we measured does not tell how they would move",
    "level_moved": "our last {runs} moved otherwise than those before, and we do not know why yet",
}
# (vocabulary of core/trade_phrases.py or kind, word) -> the word as a letter says it
TERMS: dict[tuple[str, str], str] = {
    ("setup", "laid"): "laid flat", ("setup", "hung"): "hanging", ("setup", "stood"): "standing",
    ("setup", "racked"): "in racks", ("setup", "lying"): "laid flat",
    ("process", "temper"): "tempering", ("process", "harden"): "hardening", ("process", "age"): "ageing",
    ("process", "quench"): "quenching", ("process", "quench and temper"): "quenching and tempering",
    ("process", "anneal"): "annealing", ("process", "soft anneal"): "soft annealing",
    ("process", "full anneal"): "full annealing", ("process", "bright anneal"): "bright annealing",
    ("process", "normalise"): "normalising", ("process", "normalize"): "normalizing",
    ("process", "carburise"): "carburising", ("process", "carburize"): "carburizing",
    ("process", "nitride"): "nitriding", ("process", "carbonitride"): "carbonitriding",
    ("process", "austemper"): "austempering", ("process", "martemper"): "martempering",
    ("process", "bake"): "baking", ("process", "hydrogen bake"): "baking", ("process", "degas"): "degassing",
    ("process", "solution treat"): "solution treatment", ("process", "solution anneal"): "solution annealing",
    ("process", "homogenise"): "homogenising", ("process", "braze"): "brazing", ("process", "sinter"): "sintering",
    ("process", "preheat"): "preheating",
    # a form error as it follows "38 µm more" and "µm"
    ("error", "flatness"): "out of flat",
    ("error", "straightness"): "out of straight",
    ("error", "circularity"): "out of round",
    ("error", "parallelism"): "out of parallel",
    ("error", "perpendicularity"): "out of square",
    ("error", "cylindricity"): "cylindricity error",
    ("error", "angularity"): "angularity error",
    ("many", "body"): "bodies", ("many", "pulley"): "pulleys",
}  # fmt: skip
_HISSES = ("s", "sh", "ch", "x")


def say(key: str, **fields: Any) -> str:
    """The sentence of a key with its fields. Raises KeyError for a key or a field that is missing.

    >>> say("salutation.named", name="Ms Example")
    'Dear Ms Example,'
    """
    return TEXT[key].format(**fields)


def count(key: str, n: int, **fields: Any) -> str:
    """A count with its noun, or a sentence with a count, in its form for that many.

    >>> count("run", 1), count("piece", 72)
    ('1 run', '72 pieces')
    """
    return say(f"{key}.one" if n == 1 else f"{key}.many", n=n, **fields)


def term(kind: str, word: str) -> str:
    """A word of the trade as a letter says it.

    >>> term("setup", "stood"), term("setup", "stacked")
    ('standing', 'stacked')
    """
    return TERMS.get((kind, word), word)


def things(shape: str | None) -> str:
    """Several pieces of a shape, 'pieces' where none is known.

    >>> things("plate"), things("bush"), things(None)
    ('plates', 'bushes', 'pieces')
    """
    if not shape:
        return say("pieces")
    plain = f"{shape}es" if shape.endswith(_HISSES) else f"{shape}s"
    return TERMS.get(("many", shape), plain)
