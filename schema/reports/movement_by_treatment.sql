-- title: Movement by treatment
-- question: How far did parts move in each process, setup and atmosphere, and on how many runs does that rest?
-- needs: movement
-- parameter: since | date | | | runs begun on or after this date
-- parameter: process | text | | | only this process
-- column: process | text | | what the cycle was for
-- column: kind | text | | kind of characteristic
-- column: side | text | | outside or inside size, form, or other
-- column: setup | text | | how the pieces stood or hung
-- column: atmosphere | text | | the run's, else the furnace's
-- column: runs | integer | | number of runs: the unit of evidence
-- column: pieces | integer | | movements (pieces times characteristics of the kind)
-- column: parts | integer | | part numbers
-- column: median_um | number | um | median movement
-- column: low_um | number | um | 5 % of the movements are below ((n+1)p quantile)
-- column: high_um | number | um | 95 % of the movements are below
-- column: worst_um | number | um | the movement farthest from zero
-- column: over_tolerance | integer | | pieces outside their tolerance after the run
-- column: below_gauge | integer | | movements smaller than their own uncertainty
-- column: set_aside | integer | | pairs that give no movement
SELECT process, kind, side, setup, atmosphere,
       count(DISTINCT run) FILTER (WHERE movement_um IS NOT NULL) AS runs, count(movement_um) AS pieces,
       count(DISTINCT part) FILTER (WHERE movement_um IS NOT NULL) AS parts,
       median(movement_um) AS median_um,
       quantile_np1(movement_um, 0.05) AS low_um, quantile_np1(movement_um, 0.95) AS high_um,
       max_by(movement_um, abs(movement_um)) AS worst_um,
       count(*) FILTER (WHERE movement_um IS NOT NULL AND (after_mm < lower_mm OR after_mm > upper_mm))
         AS over_tolerance,
       count(*) FILTER (WHERE below_gauge) AS below_gauge,
       count(*) FILTER (WHERE set_aside IS NOT NULL) AS set_aside
FROM movement
WHERE unit = 'mm'
  AND ($since IS NULL OR shop_day(started, $zone) >= $since)
  AND ($process IS NULL OR process = $process)
GROUP BY process, kind, side, setup, atmosphere
ORDER BY process, kind, side, setup, atmosphere
