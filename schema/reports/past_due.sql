-- title: Gauges and furnace checks past due
-- question: Which gauge's calibration and which furnace's check has run out on a day?
-- needs: gauge, furnace_check, reading
-- parameter: on | date | | today | the day asked about
-- column: what | text | | gauge or furnace check
-- column: name | text | | gauge or furnace
-- column: kind | text | | kind of gauge, or which check
-- column: at_c | number | c | temperature of the check, where it has one
-- column: last_done | date | | when the check was last done
-- column: due_on | date | | last day that the calibration or check holds
-- column: used_since | integer | | readings taken with the gauge after that day
WITH last_check AS (
  SELECT furnace, kind, at_c, done_on AS last_done, due_on
  FROM furnace_check
  WHERE done_on <= $on
  QUALIFY row_number() OVER (PARTITION BY furnace, kind, at_c ORDER BY done_on DESC) = 1
),
used AS (
  SELECT r.gauge, count(*) AS used_since
  FROM reading AS r
  JOIN gauge AS g ON g.gauge = r.gauge
  WHERE shop_day(r.read_at, $zone) > g.calibrated_until
  GROUP BY r.gauge
)
SELECT 'gauge' AS what, g.gauge AS name, g.kind, CAST(NULL AS DOUBLE) AS at_c, CAST(NULL AS DATE) AS last_done,
       g.calibrated_until AS due_on, coalesce(u.used_since, 0) AS used_since
FROM gauge AS g
LEFT JOIN used AS u ON u.gauge = g.gauge
WHERE g.calibrated_until < $on
UNION ALL
SELECT 'furnace check' AS what, furnace AS name, kind, at_c, last_done, due_on, NULL AS used_since
FROM last_check
WHERE due_on < $on
ORDER BY due_on, what, name, kind
