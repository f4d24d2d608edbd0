"""How answers, back-tests and trials work, as `explain` prints it: what is compared, what fools it, what it refuses."""

from __future__ import annotations

from .lookup import Term

TERMS: tuple[Term, ...] = (
    Term(
        "answer interval",
        "method",
        "How much will it move? The answer is an interval that should hold a stated share of the pieces of the next run. "
        "What is compared: one process and one kind of characteristic at a time (bores and outside sizes never together). "
        "The unit is the run: pieces of one run share its furnace and its luck, so a hundred pieces of two runs are two "
        "runs. Every run of a part number gives one mean; a model says how such means go together: they are alike for the "
        "same material, shape and condition; more alike for the same part number; they shift with the heating rate, hold "
        "temperature, hold time and cooling rate that were asked, with the setup, the atmosphere and the furnace where those "
        "varied inside part numbers, with the date, and with a level that may step at every fifth run; and each run and each "
        "piece scatters. How much of each, the history "
        "itself decides. From 100 runs of 20 part numbers on whose materials and sections are on record, the thermal stress "
        "of heating (check of mechanism) takes part where it tells part numbers left out in turn better; the answer then "
        "says so, and what it would be without. In a group it takes no part. "
        "Where a setting clearly does something else in another material (family, shape, condition, or part number), each "
        "has a slope of its own, drawn towards the common one, and the answer says so; where its movement is clearly no "
        "straight line, or furnaces drifted each in its own way, that is followed too. Where heat numbers show that material "
        "lots differ, that is in the width, for a lot not run yet; where too few lots are on record the answer says that it "
        "cannot be known. "
        "A part number with many runs is judged mostly by its own runs; one with few borrows from the others "
        "(shrinkage). A setting is judged by how runs of one and the same part number differed, never by the difference "
        "between delicate parts that got slow ramps and stout ones that did not. The width is then not the model's own "
        "word: it is widened or narrowed until it would have held in the back-test, for each part number as far as its own "
        "runs scatter. What is told of it is a forward test: every later run predicted from what came before it, newer runs "
        "counting more, the last year beside it. Where that falls short of what was asked the answer is widened and says so; "
        "where the last runs lean to one side it says that the level moved, and under four runs after that it refuses. A "
        "step or a slow drift further back is said with what it came to; the answer follows it. "
        "What lies more than 2.5 deviations beyond a part number's own runs (or 3.4 for all settings together; more where "
        "few runs show how settings vary) is answered with an interval half as wide again, without bound or stock; what "
        "lies beyond its runs but within that held 84 % where 90 % was said, in trials of 30 runs. "
        "Per cent are true per cent of the reading before; the logarithm is worked with and never shown. The share inside "
        "a tolerance starts from the readings before of this part (or --before) and has a 90 % interval of its own. "
        "What would fool it: a change nobody declared (new gauge, new lining: record it, loadbook take breaks); pieces "
        "left unmeasured because they cracked; readings taken in another way before and after; a setting far from what was "
        "run (the answer says extrapolation and gives no bound); a gauge coarser than the movement. "
        "What it refuses: a known part number with fewer than 8 runs in the whole history or fewer than 4 repeats of part "
        "numbers; a new part number with fewer than 3 part numbers on record (under ten their spread is borrowed from the "
        "shop's other kinds, and there is no bound); kinds where all movements are equal or "
        "below the gauge; an atmosphere in which such pieces never ran; movements that follow part number and settings to the last digit; hardness. A refusal "
        "shows what physics says of the cycle (check of mechanism): which mechanisms act, never a figure of movement. A known part number "
        "with fewer than 9 runs on record for 90 % (19 for 95 %) has the model's own width and is labelled so. A new part "
        "number's setup and atmosphere count as they did inside part numbers, where most changed them. Coverage is an average over part numbers and runs, "
        "not a promise for each. In trials a 90 % interval held 90 % (known) and 89 to 90 % (new) in the two families of shops "
        "that the rules were made on, and 88 % (known) and 87 to 92 % (new) in a third. A new part number's interval was half "
        "as wide again as that of somebody who knows what materials and settings do; with forty part numbers a third wider. "
        "Right after an undeclared jump that is not seen yet it holds far less: of jumps three times the scatter of runs 87 "
        "of 100 were seen within four runs, where nothing else was going on.",
        "K = vague + S0 (same material + same shape + same condition) + S1 same part + S2 same run + S3 DD' + S4 BB' + "
        "S5 dd' (+ S6 TT', thermal stress with bends) + s²/n;  m = k'K⁻¹z,  v = k** − k'K⁻¹k + s²;  interval m ± q f √v",
        "",
        "Robinson 1991, Statistical Science 6, 15-32 (mixed models); Chung et al. 2013, Psychometrika 78, 685-709 (the "
        "penalty); Vovk, Gammerman & Shafer 2005 (the mass at infinity)",
    ),
    Term(
        "backtest",
        "method",
        "How often would the answers of the past have been right? Each run in turn (for known part numbers), or each part "
        "number in turn (for new ones), is left out of the history, its pieces are predicted from all the others, and it "
        "is seen whether they fell inside. This needs no new fit: the left-out errors follow from the fitted model exactly. "
        "The width of an answer is the distance, in its own standard deviations, that held the asked share of those "
        "pieces, each run counting once, and one more counted as if it had been infinitely far: too little evidence makes "
        "an infinite width, which is reported as 'too few to back-test', never as a number. Of part numbers a shop has few, "
        "and by that rule the width for a new one would hang on the worst of them. Their distance is therefore the plain "
        "one, widened as Student's t is for so few, and drawn towards the model's own as if that had spoken for ten more "
        "part numbers; what it would have held, each part number left out in turn, stands beside it. The table shows known and new "
        "part numbers, thin and thick sections, and the last fifth of the dates apart; beside each share stands its 95 % "
        "binomial interval, counted in what was left out (runs, or part numbers). Saved answers are scored by what was measured after them. "
        "What would fool it: a future unlike the past; new part numbers of a kind that the shop never ran.",
        "error (S_gg)⁻¹ α_g, variance (S_gg)⁻¹ with S = K⁻¹, α = S z;  q = weighted quantile of |t|/f, weights 1/(G+1); "
        "new part numbers: log q = w log(q1 t(G-1)/z) + (1-w) log t(G-2), weights 1/G, w = G/(G+10)",
        "",
        "Rasmussen & Williams 2006, Gaussian Processes, eq. 5.12; Clopper & Pearson 1934, Biometrika 26, 404-413",
    ),
    Term(
        "stock bound",
        "method",
        "The movement that 95 % of pieces do not pass on the side that harms (an outside size: shrinkage; a bore: growth; "
        "a form error: increase), with 95 % confidence. It counts that the mean is not known exactly, that the scatter "
        "between runs and pieces is not known exactly, and it is widened where the back-test shows longer tails than the "
        "normal law. Stock per side is half of it for a diameter and for a runout, all of it for straightness, flatness "
        "and lengths. The quantile is read 0.7 of its own standard error higher. Of a kind told in per cent the bound in µm comes "
        "from what before and change did together, or from the µm themselves where those repeat better. In trials 95 to 98 of "
        "100 bounds held; in a third family of shops, with a furnace that drifts, 91 upwards; where a setting was faster than "
        "all of the part's own runs and still no extrapolation, 83 where yielding begins there.",
        "m + r Q95[ t(df1) √v_mean + 1.645 f √(S2 + s²) √(df2/χ²(df2)) ],  r = max(1, back-tested 95 % quantile / 1.645)",
        "um",
        "Krishnamoorthy & Mathew 2009, Statistical Tolerance Regions, ch. 4 to 6",
    ),
    Term(
        "spread class",
        "method",
        "Thick sections may scatter more than thin ones. The part numbers are parted at the middle section of the history, "
        "and each class gets a factor on the width: how far its back-test errors spread beside all, drawn towards 1 as if "
        "ten runs had shown no difference.",
        "f² = (runs · rms²_class/rms²_all + 10) / (runs + 10)",
    ),
    Term(
        "declared break",
        "method",
        "A step in the history that somebody recorded (loadbook take breaks: new lining, new gauge, new supplier). From "
        "that day on the level starts afresh, for all part numbers and for each; the old runs still count, as a weaker "
        "level, in the measure in which the two stretches turn out alike.",
        "two more terms: same stretch; same part in the same stretch",
    ),
    Term(
        "trial",
        "method",
        "Which next runs would teach most about a setting? Where a slope is too uncertain, or a setting always moved "
        "together with another, the cheapest remedy is a few runs with assigned settings. The plan tries runs of the part "
        "numbers allowed at low, middle and high settings inside the limits given, and keeps those that shrink the "
        "interval of the slope most under the answer's own model, exchanging runs until nothing improves; it states the "
        "interval to expect. No part number is sent further than two usual deviations beyond what it was run at. The "
        "order is drawn by lot: only an assigned setting shows cause. What would fool it: a bent relation (a threshold) "
        "that a low and a high setting cannot show; runs that scatter more than those before.",
        "choose rows u to minimise [ (C⁻¹ + Σ u u'/(S2 + s²/n))⁻¹ ] of the slope",
        "",
        "Atkinson, Donev & Tobias 2007, Optimum Experimental Designs, with SAS, ch. 12 (exchange)",
    ),
    Term(
        "choosing a cycle",
        "method",
        "Which cycle keeps a part in tolerance for the fewest furnace hours (loadbook choose)? Ways are the cycles that the "
        "part ran by, at their newest revision, with other heating and cooling rates and setups; hold and soak only when "
        "asked, because they serve the material first; a low hold stays as its cycle has it. Inside the evidence is what "
        "the part number was run at and one usual deviation more, never beyond what any part number was run at; a way that "
        "breaks a limit entered in the book, or the material's hottest hold, is not offered. What is compared: each way "
        "with the present one, by how runs of one and the same part number differed. How sure that is comes from runs "
        "alone; where a setting never changed without another (or without the furnace), no gain from it is promised. The "
        "best of many ways is partly luck: ways are chosen five times anew without a fifth of the runs, and what they "
        "seemed to save in movement counts only as far as the runs left out bear it out. A way is kept where the share of "
        "pieces inside is at least --keep with 95 % confidence. What would fool it: a threshold between the settings that "
        "were run; a change that nobody declared; hardness or stress relief, which it does not look at.",
        "fewest hours with share_low >= keep; saved = share * told, share = sum w p q / sum w p^2 over runs left out",
        "",
        "Copas 1983, J. R. Statist. Soc. B 45, 311-354; van Houwelingen & le Cessie 1990, Stat. Med. 9, 1303-1325",
    ),
    Term(
        "furnace hours",
        "method",
        "How long the furnace is taken, from the trace's start to where judging ends, quoted before the run. A program asks "
        "for hours before, at and after its main hold; a line through this furnace's own past runs turns each into hours "
        "taken, its slope drawn towards 1 and single slow runs counting less. Past runs are those by the same segments, "
        "else of the process, else of the furnace; under six there is the program's figure alone. What past "
        "runs took over what the others would have quoted for them goes by their load's mass, section and racking, as far "
        "as these are known of the load asked about and the runs show that they matter (a ridge line), and gives the "
        "interval in whole ranks: it promises no more than they kept. What would fool it: a load unlike any before, a "
        "furnace that was repaired.",
        "hours = sum over the three of b0 + b1 * asked, times exp(a + c * load);  low, high by ranks of the rest",
    ),
    Term(
        "furnace_hour",
        "word",
        "What an hour of a furnace costs, as a setting of the book: loadbook amend settings furnace_hour value='85 EUR; "
        "F2=120' --why TEXT. With it, choose, cycle plan, answer and answer --compare say money beside furnace hours.",
    ),
    Term(
        "nearness",
        "method",
        "How little the movement of a past run should differ from that of what is asked: 1 the same part treated the same "
        "way, towards 0 the more it differs in part number, setup, furnace and in the settings asked about, each by what it "
        "does to movement, and a little whatever it does. The comparables of an answer are the nearest runs.",
        "1/(1 + D²/2),  D² the squared difference to be expected, in variances of a piece",
    ),
)
