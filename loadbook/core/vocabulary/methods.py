"""The methods of `moved` and `effect`: what is compared with what, what would fool it, what it refuses."""

from __future__ import annotations

from .lookup import Term


def _method(name: str, definition: str, formula: str = "", source: str = "") -> Term:
    return Term(name, "method", " ".join(definition.split("\n\n")[0].split()) + _rest(definition), formula, "", source)


def _rest(definition: str) -> str:
    """Further paragraphs, each on one line."""
    return "".join("\n" + " ".join(p.split()) for p in definition.split("\n\n")[1:])


TERMS: tuple[Term, ...] = (
    _method(
        "moved",
        """Describes how much parts moved, treatment by treatment. Runs and pieces are counted first, because pieces of
        one run share its furnace and its luck: ten pieces of one run are one piece of evidence about the treatment.

        Compared: pieces of one process, one kind of characteristic, inside and outside sizes apart, on one working
        scale. A treatment is any set of setup, atmosphere, shape, cycle ... and run parameters cut into bands.

        Shown: runs, pieces, part numbers; median, 5 % and 95 % of pieces, the worst; the mean of the runs' means with
        an interval that counts runs; share pushed over the tolerance (of pieces that were inside before); share of
        movements below the gauge; pieces set aside, by reason; pieces that were never measured.

        What would fool it: other part numbers in one treatment than in the other (it warns; `effect` compares inside
        part numbers), pieces that were straightened, cracked or left unmeasured (counted beside), a gauge coarser than
        the movement. It refuses an interval on one run.""",
        source="common practice; intervals as named under 'difference of treatments' and 'content interval'",
    ),
    _method(
        "working scale",
        """The scale that movement is worked with, declared per characteristic: plain {µm|thousandths};
        {µm per 100 mm|0.0001 in per 10 in} of the reference length, for sizes that move in proportion; or log, in percent, for form errors, which cannot be negative and
        whose scatter grows with their size. The log is taken of the two readings, never of a signed change, and both
        are floored at sqrt(2) times the gauge's standard deviation, so that a reading of nearly nothing does not become
        an enormous percentage. Different scales are never put in one row.""",
        formula="percent = 100 ln(max(after, floor) / max(before, floor)),  floor = sqrt(2) x gauge standard deviation",
    ),
    _method(
        "quantile",
        """The (n+1)p quantile: of n values in order, the one at place (n+1)p, in proportion between two. With fewer than
        19 values the 5 % and 95 % quantiles are the smallest and the largest seen: say nothing more of the tails.""",
        formula="place = (n + 1) p, held between 1 and n",
        source="NIST/SEMATECH e-Handbook 7.2.6.2",
    ),
    _method(
        "run as the unit",
        """The standard error of a mean is taken from the scatter of whole runs, not of single pieces. Where pieces are
        treated as independent, the error comes out too small, often by half, and differences that are one run's luck
        look proven. With one run there is no such error, and none is printed.""",
        formula="se² = scatter of run means / number of runs; balanced: MS_run / N",
        source="NIST/SEMATECH e-Handbook 3.5.1.4 (where it gives 4.276 instead of 1.958)",
    ),
    _method(
        "difference of treatments",
        """What is compared: where two or more runs held both treatments, the difference inside each such run, so that
        the run's luck cancels; otherwise the means of runs, two or more a side; otherwise the pieces inside the one run
        that held both, said to be that run only. Plain readings with one run a side are compared piece by piece, and it
        is said that the scatter of runs is not in them.

        What would fool it: sides that held different part numbers (it says so); a treatment that was only used on
        delicate parts, or only in one year. It refuses one run against one run. p values are adjusted for the number of
        differences shown. The spread ratio tells whether the second treatment scatters more than the first.""",
        formula="b - a ± t(df) se;  df after Welch and Satterthwaite, or pairs - 1",
        source="Welch, Biometrika 34 (1947); Levene's test on medians: Brown & Forsythe (1974)",
    ),
    _method(
        "content interval",
        """An interval for a stated share of all pieces (95 % unless asked otherwise) with stated confidence, not for
        their mean. Scatter of runs and of pieces are both in it; the factor is exact for normal values. Where pieces
        need no runs (plain readings), distribution-free bounds by order statistics stand beside it; they need many
        pieces: 93 for 95 % of pieces with 95 % confidence between the smallest and the largest.

        What would fool it: values that are far from normal (look at the distribution-free bounds), another mix of part
        numbers. It refuses one run.""",
        formula="mean ± k s;  k from P(chi²_df > df r² / k²), r the half width that holds the share",
        source="ISO 16269-6:2014, Annex F; Krishnamoorthy & Mathew, Statistical Tolerance Regions (2009); NIST e-Handbook 7.2.6.3",
    ),
    _method(
        "lot without serials",
        """Pieces counted, not numbered: a piece row with a quantity over 1. The pieces read after the run need not be
        those read before it, so no piece has a movement; the lot is set aside from every figure of movement, effect
        and answer, and loadbook moved compares it apart: mean of the pieces read after less mean of those read before,
        each reading counting as one piece of the lot. With two runs or more the interval counts runs; with one it is
        that of two groups of pieces, and another run may not repeat it. The spread ratio says how much more unequal
        the lot became.

        What would fool it: picking the pieces (read before at the top of the basket, after at the bottom); a lot that
        was sorted in between; few pieces read. It refuses an interval where fewer than two were read. A form error of
        a lot is compared in {µm|thousandths}, whatever its working scale: a percentage needs the same piece twice.""",
        formula="mean(after) - mean(before);  runs: t(runs - 1); one run: df after Welch and Satterthwaite",
        source="Welch, Biometrika 34 (1947)",
    ),
    _method(
        "where the scatter comes from",
        """Splits the scatter of movement into what differs between part numbers, between runs of a part number, between
        positions in a run (where they are recorded), and between pieces of a run. A part that comes out negative is
        zero ("none seen"); of a level that the record has only one of, nothing can be told. Most between runs: look at the cycle and the furnace. Most between pieces: look at material, machining and
        how pieces are held and measured.""",
        formula="nested variance components by equating sums of squares with their expectations",
        source="Searle, Casella & McCulloch, Variance Components (1992); NIST/SEMATECH e-Handbook 3.5.1.1",
    ),
    _method(
        "blunder screen",
        """Flags a movement further than six robust standard deviations from the median of its run (three pieces or
        more). The scatter is pooled over the runs of the part number, never below the gauge's. Flagged is not set
        aside: figures with and without stand side by side until a person decides (loadbook confirm reading). In trials
        it found 93 to 98 % of large blunders and flagged nothing under normal scatter. What would fool it: a whole run
        that was misread; two pieces only; a real crack.""",
        formula="|movement - run median| > 6 x 1.4826 x median |movement - run median|",
        source="common practice, figures from trials on simulated shops",
    ),
    _method(
        "effect",
        """Which parameter goes with movement. Runs of one part number are compared with other runs of the same part
        number, never with those of another: delicate parts get slow ramps, and across part numbers a slow ramp then
        looks as if it made parts move. (Such a pooled slope had the wrong sign in 60 to 90 % of simulated histories.)

        One figure per run and part number, the mean of its pieces. A straight line in the parameter, a level for each
        part number, and a trend with the date, so that a drifting furnace is not taken for the parameter (not where the
        runs of every part number lie within 90 days: a few weeks show no trend). The interval
        leaves each run out in turn: it is wide where one run carries the result.

        Achieved values are used (from the trace; stated from paper where there is no trace, and marked); --asked takes
        what the cycle asked for. Setup, atmosphere and furnace join as factors where they vary inside part numbers; one
        that goes with the parameter always does, and where the runs do not tell the two apart there is no figure.
        Where the standard error of the values is known, what their noise pulls towards zero is said and undone.
        --assigned takes the runs for a trial: all settings named in one fit, without the date, with ordinary errors.

        It refuses below 6 means, below 4 degrees of freedom, where the parameter never changed inside a part number,
        where it changed exactly with the date or with another parameter, where everything hangs on one run, where nine
        in ten movements are below the gauge, and where all runs moved the same or nothing is left to scatter. Below
        about 30 runs it can rarely tell, and says so.

        What would fool it: a setting that was changed because of how the pieces had moved before; a second change made
        together with it and not recorded; pieces left unmeasured. An effect is an association, unless a trial assigned
        the settings (loadbook trial).""",
        formula="mean(run, part) = level(part) + b parameter + c date;  df = min(means - part numbers - 2, runs - 1)",
        source="HC3: MacKinnon & White (1985); CR3 by run: Bell & McCaffrey, Survey Methodology 28 (2002)",
    ),
    _method(
        "moves together with",
        """Said of a parameter that changed in step with another inside part numbers (correlation over 0.5), or in a book
        whose runs hold several part numbers. Its one-at-a-time slope belongs to both. They are then fitted jointly, and
        the figure is what each adds beside the others; where the runs are too few for that, the verdict is 'cannot
        tell'. Dose is left out beside temperature and time, of which it is made. Setup, atmosphere and furnace, and beside a
        setting the other settings, stand there also where nobody asked about them.""",
        formula="|r| > 0.5 between the parameters, less their part numbers' means",
    ),
    _method(
        "differs by",
        """Said of a parameter that does something else in another material, material family or shape: each then has a figure
        and an interval of its own, and one for all would be true of none (opposite slopes in two materials come to about none).
        Each group needs six means of runs and part numbers; what stands beside the parameter in its own fit stands here
        too. It is not asked of a trial, nor of part numbers one by one.""",
        formula="Wald's F of the slopes' differences, degrees of the smallest group; p times how many were asked < 5 %",
    ),
    _method(
        "adjusted p",
        """With many parameters tried, some look real by luck: of twenty useless ones, one at 5 %. The adjusted p of an
        effect counts that: it is the chance that luck alone puts any of the parameters tried in one command so far out.
        The verdict goes by it, so that of a hundred histories at most five call anything real that is not.

        Differences between treatments (loadbook moved), of which many are listed side by side, are adjusted more
        gently: there it is the share of false finds to expect among all that are called at that level.

        What would fool it: asking again and again with other filters until something is found; every command is
        adjusted by itself only.""",
        formula="effects: p(i) (m + 1 - i) from the smallest up, never falling; "
        "differences: p(i) m / i from the largest down, never rising",
        source="Holm, Scand. J. Statist. 6 (1979); Benjamini & Hochberg, J. R. Statist. Soc. B 57 (1995)",
    ),
    _method(
        "companions of an effect",
        """Other fits of the same slope, shown beside it (loadbook effect --companions). pooled: all part numbers thrown
        together; where its sign is opposite, the picture of all points misleads. without calendar: no trend with the
        date; a large change means a drift. left out: the smallest and the largest slope with one run left out, and which
        run; where the sign turns, one run decides. lower and upper half: the slope below and above the middle of what
        was run; where they differ, the line is bent, as at a threshold. Range of evidence: nothing is known outside.""",
    ),
    _method(
        "letter",
        """A kept answer as one page to the customer who asked (loadbook page answer N), as it was given, whatever the
        book has learned since. Theirs are the part asked about and the pieces that ran for them: the job's customer,
        else the part's. Nothing else is named: no other customer, part number, job, order, serial, heat number, nor a
        run without a piece of theirs. Another's work is told by class ("11 runs of similar rings") where at least 3
        runs stand behind the words, and a confidential or export-controlled job not even so.

        Sentences that people wrote (survey notes, --question, --to, --from) are held more strictly: figures and single
        telling words of a name count too. Before anything is written every text is looked at once more; a letter that
        would still name another's work is not written.

        What would fool it: a customer or a part that is not in the book; a nickname; a piece recorded under the wrong
        customer. Read a letter before it leaves.""",
    ),
    _method(
        "control chart",
        """One value a run, in the order of the runs, with a centre line and limits from the furnace's own past: does
        the furnace still do what it did? (loadbook page month). Limits are three standard deviations either side, and
        the standard deviation comes from the mean moving range of two runs, so that a slow drift does not widen them.

        Runs of several cycles share a chart as differences from what is usual for their cycle and revision: else a
        change of work looks like a change of the furnace. The baseline is the first 10 runs of each cycle revision in
        that furnace, before the month shown, after the last declared break, done, and without a certain or suspected
        thermocouple fault; later months do not move it. A cycle needs 3 such runs, a chart 20, else it says "too few
        runs for limits". A usual value from m runs is itself uncertain: the limits are sqrt(1 + 1/m) wider. Baseline
        runs beyond the first limits are left out of them, once, and counted; 15 must be left.

        Tests: one point beyond the limits; seven or more in a row on one side of the centre line; seven or more in a
        row that steadily rise or fall. The standard's fourth test, any other unusual pattern, is left to the eye.

        What would fool it: another kind of load or another ramp under the same cycle revision; a thermocouple fault
        that was not found; many charts looked at at once (of 1,000 quiet runs some 3 are beyond the limits). A signal
        says that something changed, not what, and not that parts are bad.""",
        formula="limits = +/- 3 x (mean moving range / 1.128) x sqrt(1 + 1/m)",
        source="ISO 7870-2 (tests 1 to 3) and ISO 7870-8 (mixed batches), both from memory; limits checked against "
        "NIST/SEMATECH e-Handbook 6.3.2.2",
    ),
)
