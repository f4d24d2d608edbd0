-- title: Operations and their moments
-- question: What was done to each piece, in order, and when as far as recorded?
-- needs: operation, run, piece
-- An operation that is a run has the run's start where it has no time of its own. A run that no operation row
-- names is one all the same. A row that says 'run' without naming it, of a piece that went
-- through one run only, is that run.
WITH went AS (
  SELECT part, serial, count(*) AS runs, min(run) AS first_run
  FROM piece
  GROUP BY part, serial
)
SELECT o.part, o.serial, o.sequence, o.operation,
       coalesce(o.run, CASE WHEN o.operation = 'run' AND o.at IS NULL AND w.runs = 1 THEN w.first_run END) AS run,
       coalesce(o.at, r.started) AS at
FROM operation AS o
LEFT JOIN run AS r ON r.run = o.run
LEFT JOIN went AS w ON w.part = o.part AND w.serial = o.serial
UNION ALL
SELECT p.part, p.serial, NULL AS sequence, 'run' AS operation, p.run, r.started AS at
FROM piece AS p
JOIN run AS r ON r.run = p.run
LEFT JOIN operation AS o ON o.part = p.part AND o.serial = p.serial AND o.run = p.run
WHERE o.operation_id IS NULL
