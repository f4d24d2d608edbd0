-- title: Movement by treatment
-- question: How far did parts move in each process, setup and atmosphere, and on how many runs does that rest?
-- needs: movement
-- parameter: since | date | | | runs begun on or after this date
-- parameter: process | text | | | only this process
-- column: runs | integer | | number of runs: the unit of evidence
-- column: median | number | um | median movement of the pieces
-- column: below_gauge | integer | | pieces whose movement is smaller than its own uncertainty
SELECT process, kind, side, setup, atmosphere,
       count(DISTINCT run) AS runs, count(*) AS pieces, count(DISTINCT part) AS parts,
       median(movement_um) AS median_um, min(movement_um) AS lowest_um, max(movement_um) AS highest_um,
       sum(CASE WHEN below_gauge THEN 1 ELSE 0 END) AS below_gauge
FROM movement
WHERE set_aside IS NULL AND movement_um IS NOT NULL
  AND ($since IS NULL OR started >= $since)
  AND ($process IS NULL OR process = $process)
GROUP BY process, kind, side, setup, atmosphere
ORDER BY process, kind, side, setup, atmosphere
