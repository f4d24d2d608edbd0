-- title: Movement by setup
-- question: Did pieces that were laid, hung, stood or fixtured move differently, part number by part number?
-- needs: movement
-- parameter: part | text | | | only this part number
-- column: runs | integer | | number of runs: the unit of evidence
SELECT part, characteristic, kind, process, coalesce(setup, 'not recorded') AS setup,
       count(DISTINCT run) AS runs, count(*) AS pieces,
       avg(movement_um) AS mean_um, median(movement_um) AS median_um,
       min(movement_um) AS lowest_um, max(movement_um) AS highest_um
FROM movement
WHERE set_aside IS NULL AND movement_um IS NOT NULL AND ($part IS NULL OR part = $part)
GROUP BY part, characteristic, kind, process, coalesce(setup, 'not recorded')
ORDER BY part, characteristic, process, setup
