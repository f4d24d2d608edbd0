"""Before the door closes and while the furnace runs: points to look at, what a trace so far says.

It advises and controls nothing. What flows where:

    precheck   book -> queries/precheck (data) -> ready.points (pass, stop or a box, with coded reasons)
               and queries/earlier_runs -> usual (what earlier runs took) -> forecast.beforehand
               -> render/precheck, render/pages/precheck; kept as a row of `precheck`
    follow     recorder's file -> readers/recorder/growing (whole lines only) -> the usual reader -> Trace so far
               -> so_far.seen (judging as afterwards, each clause with margin and trend), lowhold.checked, forecast
               (with usual)
               -> queries/following (Seen) -> render/following, render/pages/following, JSON lines
               at the end: readers/recorder/take.take_trace of the file itself, as `trace take` does
"""
