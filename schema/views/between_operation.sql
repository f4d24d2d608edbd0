-- title: What else was done between two readings
-- question: Which operation other than the run lies, or may lie, between a piece's readings?
-- needs: reading_pair, operation_timed
-- The run's own row never counts. A timed operation is between when its time lies between the two readings. An
-- untimed one is told from the timed ones beside it in the sequence (the run itself does not settle on which side
-- of a reading it stood); where they do not tell, the order is not recorded. The same moment as a reading does not
-- tell either.
WITH pair AS (
  SELECT run, part, serial, characteristic, opens_at, closes_at, started, ended
  FROM reading_pair
  WHERE has_before AND has_after
),
other AS (
  SELECT p.run, p.part, p.serial, p.characteristic, p.opens_at, p.closes_at, o.sequence, o.operation, o.at,
         o.run AS other_run
  FROM pair AS p
  JOIN operation_timed AS o ON o.part = p.part AND o.serial = p.serial AND o.run IS DISTINCT FROM p.run
  WHERE NOT (o.operation = 'run' AND o.run IS NULL AND o.at IS NOT NULL
             AND o.at >= p.started AND o.at <= coalesce(p.ended, p.started))
),
untold AS (
  SELECT u.run, u.part, u.serial, u.characteristic, u.operation, u.sequence
  FROM other AS u
  LEFT JOIN other AS t ON t.run = u.run AND t.part = u.part AND t.serial = u.serial
    AND t.characteristic = u.characteristic AND t.at IS NOT NULL AND t.sequence IS NOT NULL
    AND ((t.sequence > u.sequence AND t.at <= u.opens_at) OR (t.sequence < u.sequence AND t.at >= u.closes_at))
  WHERE u.at IS NULL
  GROUP BY ALL
  HAVING count(t.sequence) = 0
)
SELECT o.run, o.part, o.serial, o.characteristic, o.operation, o.at, 'between' AS how,
       CASE WHEN o.operation = 'run' OR o.other_run IS NOT NULL THEN 'another run between'
            ELSE o.operation || ' between' END AS reason
FROM other AS o
WHERE o.at > o.opens_at AND o.at < o.closes_at
UNION ALL
SELECT o.run, o.part, o.serial, o.characteristic, o.operation, o.at, 'not recorded' AS how,
       'order of ' || operation || ' and the reading not recorded' AS reason
FROM other AS o
WHERE o.at = o.opens_at OR o.at = o.closes_at
UNION ALL
SELECT run, part, serial, characteristic, operation, NULL AS at, 'not recorded' AS how,
       'order of ' || operation || ' and the reading not recorded' AS reason
FROM untold
