-- title: Heating rate bands against movement
-- question: How far did parts move in runs that were heated slowly, moderately and fast?
-- needs: movement, runs
-- parameter: slow | number | c_per_h | 60 | upper edge of the slow band
-- parameter: fast | number | c_per_h | 120 | lower edge of the fast band
-- column: parts | integer | | part numbers: where the bands hold different ones, the difference may be theirs
WITH banded AS (
  SELECT m.process, m.kind, m.side, m.run, m.part, m.movement_um, r.heating_rate_peak_c_per_h AS rate,
         CASE WHEN r.heating_rate_peak_c_per_h < $slow THEN '1 slow'
              WHEN r.heating_rate_peak_c_per_h >= $fast THEN '3 fast'
              ELSE '2 between' END AS band
  FROM movement AS m
  JOIN runs AS r ON r.run = m.run
  WHERE m.set_aside IS NULL AND m.movement_um IS NOT NULL AND r.heating_rate_peak_c_per_h IS NOT NULL
)
SELECT process, kind, side, band, min(rate) AS slowest_c_per_h, max(rate) AS fastest_c_per_h,
       count(DISTINCT run) AS runs, count(*) AS pieces, count(DISTINCT part) AS parts,
       median(movement_um) AS median_um, min(movement_um) AS lowest_um, max(movement_um) AS highest_um
FROM banded
GROUP BY process, kind, side, band
ORDER BY process, kind, side, band
