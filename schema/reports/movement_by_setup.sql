-- title: Movement by setup
-- question: Did pieces that were laid, hung, stood or fixtured move differently, part number by part number?
-- needs: movement
-- parameter: part | text | | | only this part number
-- column: part | text | | part number
-- column: characteristic | text | | characteristic of the part
-- column: kind | text | | its kind
-- column: process | text | | what the cycle was for
-- column: setup | text | | how the pieces stood or hung
-- column: runs | integer | | number of runs: the unit of evidence
-- column: pieces | integer | | pieces with movement
-- column: mean_um | number | um | mean movement
-- column: median_um | number | um | median movement
-- column: low_um | number | um | 5 % of the pieces are below ((n+1)p quantile)
-- column: high_um | number | um | 95 % of the pieces are below
SELECT part, characteristic, kind, process, coalesce(setup, 'not recorded') AS setup,
       count(DISTINCT run) AS runs, count(*) AS pieces,
       avg(movement_um) AS mean_um, median(movement_um) AS median_um,
       quantile_np1(movement_um, 0.05) AS low_um, quantile_np1(movement_um, 0.95) AS high_um
FROM movement
WHERE set_aside IS NULL AND movement_um IS NOT NULL AND ($part IS NULL OR part = $part)
GROUP BY part, characteristic, kind, process, coalesce(setup, 'not recorded')
ORDER BY part, characteristic, process, setup
