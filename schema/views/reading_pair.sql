-- title: Before beside after
-- question: Which readings of a piece belong together, and between which moments did its run stand alone?
-- needs: reading_mean, run
-- Where a reading has no time, the run's start or end stands for it.
WITH seen AS (
  SELECT run, part, serial, characteristic,
         max(CASE WHEN stage = 'before' THEN 1 ELSE 0 END) AS has_before,
         max(CASE WHEN stage = 'after' THEN 1 ELSE 0 END) AS has_after
  FROM reading_mean
  GROUP BY ALL
)
SELECT s.run, s.part, s.serial, s.characteristic,
       s.has_before = 1 AS has_before, s.has_after = 1 AS has_after,
       b.value_20c AS before_value, a.value_20c AS after_value,
       b.scatter AS before_scatter, a.scatter AS after_scatter,
       coalesce(b.readings, 0) AS before_readings, coalesce(a.readings, 0) AS after_readings,
       coalesce(b.blunders, 0) AS before_blunders, coalesce(a.blunders, 0) AS after_blunders,
       coalesce(b.in_mm, a.in_mm) AS in_mm,
       coalesce(b.in_mm <> a.in_mm, false) OR coalesce(b.mixed_units, false) OR coalesce(a.mixed_units, false)
         AS mixed_units,
       b.held <> a.held OR coalesce(b.way_mixed = 'held', false) OR coalesce(a.way_mixed = 'held', false)
         AS held_differs,
       b.datum <> a.datum OR coalesce(b.way_mixed = 'datum', false) OR coalesce(a.way_mixed = 'datum', false)
         AS datum_differs,
       b.surface <> a.surface OR coalesce(b.way_mixed = 'surface', false) OR coalesce(a.way_mixed = 'surface', false)
         AS surface_differs,
       coalesce(b.way_unrecorded, false) OR coalesce(a.way_unrecorded, false) AS way_unrecorded,
       b.corrected_20c AS before_corrected_20c, a.corrected_20c AS after_corrected_20c,
       b.expanded_uncertainty_mm AS before_uncertainty_mm, a.expanded_uncertainty_mm AS after_uncertainty_mm,
       b.gauge AS before_gauge, a.gauge AS after_gauge,
       b.first_read_at AS before_read_at, a.last_read_at AS after_read_at,
       coalesce(b.first_read_at, r.started) AS opens_at,
       coalesce(a.last_read_at, r.ended, r.started) AS closes_at,
       r.started, r.ended
FROM seen AS s
JOIN run AS r ON r.run = s.run
LEFT JOIN reading_mean AS b ON b.run = s.run AND b.part = s.part AND b.serial = s.serial
  AND b.characteristic = s.characteristic AND b.stage = 'before'
LEFT JOIN reading_mean AS a ON a.run = s.run AND a.part = s.part AND a.serial = s.serial
  AND a.characteristic = s.characteristic AND a.stage = 'after'
