-- title: Heating rate bands against movement
-- question: How far did parts move in runs that were heated slowly, moderately and fast?
-- needs: movement, runs
-- parameter: slow | number | c_per_h | 60 | upper edge of the slow band
-- parameter: fast | number | c_per_h | 120 | lower edge of the fast band
-- column: process | text | | what the cycle was for
-- column: kind | text | | kind of characteristic
-- column: side | text | | outside or inside size, form, or other
-- column: band | text | | slow, between or fast: by the peak heating rate achieved
-- column: slowest_c_per_h | number | c_per_h | slowest peak rate in the band
-- column: fastest_c_per_h | number | c_per_h | fastest peak rate in the band
-- column: runs | integer | | number of runs: the unit of evidence
-- column: pieces | integer | | movements
-- column: parts | integer | | part numbers: where the bands hold different ones, the difference may be theirs
-- column: median_um | number | um | median movement
-- column: within_part_um | number | um | mean of movement less the mean of the same part's characteristic over all bands, of those that more than one band holds
-- column: low_um | number | um | 5 % of the movements are below ((n+1)p quantile)
-- column: high_um | number | um | 95 % of the movements are below
WITH banded AS (
  SELECT m.process, m.kind, m.side, m.run, m.part, m.characteristic, m.movement_um, r.heating_rate_peak_c_per_h AS rate,
         CASE WHEN r.heating_rate_peak_c_per_h < $slow THEN '1 slow'
              WHEN r.heating_rate_peak_c_per_h >= $fast THEN '3 fast'
              ELSE '2 between' END AS band
  FROM movement AS m
  JOIN runs AS r ON r.run = m.run
  WHERE m.set_aside IS NULL AND m.movement_um IS NOT NULL AND r.heating_rate_peak_c_per_h IS NOT NULL
), compared AS (
  SELECT *, CASE WHEN min(band) OVER (PARTITION BY process, part, characteristic)
                      < max(band) OVER (PARTITION BY process, part, characteristic)
                 THEN movement_um - avg(movement_um) OVER (PARTITION BY process, part, characteristic)
            END AS within_part
  FROM banded
)
SELECT process, kind, side, band, min(rate) AS slowest_c_per_h, max(rate) AS fastest_c_per_h,
       count(DISTINCT run) AS runs, count(*) AS pieces, count(DISTINCT part) AS parts,
       median(movement_um) AS median_um, avg(within_part) AS within_part_um,
       quantile_np1(movement_um, 0.05) AS low_um, quantile_np1(movement_um, 0.95) AS high_um
FROM compared
GROUP BY process, kind, side, band
ORDER BY process, kind, side, band
