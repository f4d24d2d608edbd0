-- title: Furnaces compared
-- question: How do the furnaces differ in verdicts, spread, lead, overshoot and lost thermocouples?
-- needs: runs, parameters
-- parameter: process | text | | | only this process
-- parameter: since | date | | | runs begun on or after this date
-- column: furnace | text | | furnace
-- column: process | text | | what the cycles were for: furnaces are compared inside one process
-- column: runs | integer | | runs done
-- column: share_kept | number | | judged runs that kept every clause
-- column: spread_heating_peak_c | number | c_diff | median of the peak spread while heating
-- column: spread_soak_peak_c | number | c_diff | median of the peak spread in the soak
-- column: lead_heating_peak_c | number | c_diff | median of the peak lead of the furnace over the work
-- column: hold_overshoot_c | number | c_diff | median overshoot
-- column: soak_minutes | number | min | median soak
-- column: faults_per_run | number | | thermocouple faults, certain or suspected, per run with a trace
WITH figure AS (
  SELECT run,
         max(value) FILTER (WHERE parameter = 'spread_heating_peak_c') AS spread_heating_peak_c,
         max(value) FILTER (WHERE parameter = 'spread_soak_peak_c') AS spread_soak_peak_c,
         max(value) FILTER (WHERE parameter = 'lead_heating_peak_c') AS lead_heating_peak_c,
         max(value) FILTER (WHERE parameter = 'hold_overshoot_c') AS hold_overshoot_c
  FROM parameters
  WHERE source = 'trace' AND channel IS NULL
  GROUP BY run
)
SELECT r.furnace, r.process, count(*) AS runs,
       CAST(count(*) FILTER (WHERE r.verdict = 'kept') AS DOUBLE)
         / nullif(count(*) FILTER (WHERE r.verdict IN ('kept', 'broken', 'cannot be told')), 0) AS share_kept,
       median(f.spread_heating_peak_c) AS spread_heating_peak_c, median(f.spread_soak_peak_c) AS spread_soak_peak_c,
       median(f.lead_heating_peak_c) AS lead_heating_peak_c, median(f.hold_overshoot_c) AS hold_overshoot_c,
       median(r.soak_minutes) AS soak_minutes,
       CAST(sum(r.faults) FILTER (WHERE r.has_trace) AS DOUBLE) / nullif(count(*) FILTER (WHERE r.has_trace), 0)
         AS faults_per_run
FROM runs AS r
LEFT JOIN figure AS f ON f.run = r.run
WHERE r.status = 'done'
  AND ($process IS NULL OR r.process = $process)
  AND ($since IS NULL OR shop_day(r.started, $zone) >= $since)
GROUP BY r.furnace, r.process
ORDER BY r.process, r.furnace
