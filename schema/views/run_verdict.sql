-- title: Each run's verdict
-- question: How did each run end when it was judged?
-- needs: finding
-- faults: of thermocouples; one that is reported only, for a person to look at, is none until somebody confirms it
SELECT run,
       max(verdict) FILTER (WHERE what = 'run') AS verdict,
       count(*) FILTER (WHERE what = 'clause') AS clauses,
       count(*) FILTER (WHERE what = 'clause' AND verdict = 'kept') AS clauses_kept,
       count(*) FILTER (WHERE what = 'clause' AND verdict = 'broken') AS clauses_broken,
       count(*) FILTER (WHERE what = 'clause' AND verdict = 'cannot be told') AS clauses_untold,
       count(*) FILTER (WHERE what = 'fault' AND verdict IN ('certain', 'suspected')) AS faults
FROM finding
GROUP BY run
