-- title: Movement on its working scale, with the readings that look like blunders
-- question: How far did each piece move, in the unit that its kind works in, and which figures need a second look?
-- needs: movement, confirmation, reading
-- The same figures as analysis/movement/scale.py (with_value) and analysis/movement/blunders.py (flagged_rows) give of one book, which a test
-- holds it to. {rows} is put in by the asker: a select from movement under the question's filters, or movement itself;
-- $scale is a working scale for all rows, else each has its own.
WITH m AS (
  SELECT x.*, coalesce($scale, x.scale, 'um') AS working,
         coalesce(x.unit, 'mm') <> 'mm' OR x.kind IN ('angle', 'hardness') AS own_unit,
         coalesce($scale, x.scale, 'um') = 'log' AND x.side = 'form' AS logarithmic,
         greatest(x.before_mm, coalesce(x.expanded_uncertainty_mm / 2, 0)) AS floored_before,
         greatest(x.after_mm, coalesce(x.expanded_uncertainty_mm / 2, 0)) AS floored_after
  FROM {rows} AS x
),
valued AS (
  SELECT m.*,
         CASE WHEN own_unit THEN coalesce(unit, '')
              WHEN logarithmic THEN 'log'
              WHEN working = 'um per 100 mm' THEN 'um per 100 mm'
              ELSE 'um' END AS y_unit,
         CASE WHEN set_aside IS NOT NULL THEN NULL
              WHEN logarithmic THEN CASE WHEN floored_before > 0 AND floored_after > 0
                                         THEN 100 * ln(floored_after / floored_before) END
              WHEN own_unit THEN movement_mm
              WHEN working = 'um per 100 mm' THEN movement_um_per_100mm
              ELSE movement_um END AS y
  FROM m
),
told AS (
  SELECT plant, run, started, coalesce(process, '') AS process, part, serial, characteristic, kind, side, y_unit, y,
         furnace, cycle, material, family, shape, condition, machining, setup, atmosphere, position, axis, gauge,
         heat_number, section_thick_mm, before_mm, after_mm, lower_mm, upper_mm, expanded_uncertainty_mm, below_gauge,
         way, corrected_20c,
         CASE WHEN set_aside IS NOT NULL OR y IS NOT NULL THEN set_aside
              WHEN logarithmic THEN 'zero reading and no gauge uncertainty'
              WHEN working = 'um per 100 mm' THEN 'no reference length' END AS set_aside
  FROM valued
),
run_middle AS (
  SELECT process, kind, side, y_unit, run, part, characteristic, median(y) AS middle, count(y) AS many
  FROM told
  WHERE y IS NOT NULL
  GROUP BY process, kind, side, y_unit, run, part, characteristic
),
away AS (
  SELECT t.process, t.kind, t.side, t.y_unit, t.run, t.part, t.characteristic, r.many, abs(t.y - r.middle) AS away,
         row_number() OVER (PARTITION BY t.process, t.kind, t.side, t.y_unit, t.run, t.part, t.characteristic
                            ORDER BY abs(t.y - r.middle)) AS place
  FROM told AS t
  JOIN run_middle AS r ON r.process = t.process AND r.kind = t.kind AND r.side = t.side AND r.y_unit = t.y_unit
    AND r.run = t.run AND r.part = t.part AND r.characteristic = t.characteristic
  WHERE t.y IS NOT NULL
),
counted AS (
  -- the middle piece of an odd run, and the middle two of an even one, make the median
  SELECT process, kind, side, y_unit, part, characteristic, away
  FROM away
  WHERE many >= 3 AND place > CASE WHEN many % 2 = 1 THEN 1 ELSE 2 END
),
whole AS (
  SELECT process, kind, side, y_unit, median(away) AS usual, count(*) AS behind
  FROM counted
  GROUP BY process, kind, side, y_unit
),
own AS (
  SELECT process, kind, side, y_unit, part, characteristic, median(away) AS usual, count(*) AS behind
  FROM counted
  GROUP BY process, kind, side, y_unit, part, characteristic
),
decided AS (
  SELECT c.reading_id, c.decision
  FROM confirmation AS c
  WHERE c.subject = 'reading'
  QUALIFY row_number() OVER (PARTITION BY c.reading_id ORDER BY c.confirmation_id DESC) = 1
),
believed AS (
  SELECT DISTINCT r.run, r.serial, r.characteristic, substr(r.part, length(r.plant) + 2) AS number
  FROM decided AS d
  JOIN reading AS r ON r.reading_id = d.reading_id
  WHERE d.decision = 'refused'
)
SELECT t.*,
       CASE WHEN t.y IS NULL OR r.many < 3 OR w.behind IS NULL OR b.number IS NOT NULL THEN false
            ELSE abs(t.y - r.middle) > 6 * greatest(
                   1.482602218505602 * CASE WHEN o.behind >= 12 THEN o.usual * (1 + 2 / sqrt(o.behind))
                                            ELSE w.usual * (1 + 2 / sqrt(w.behind)) END,
                   CASE WHEN t.y_unit = 'um' THEN coalesce(t.expanded_uncertainty_mm * 500, 0) ELSE 0 END)
             AND greatest(CASE WHEN o.behind >= 12 THEN o.usual ELSE w.usual END,
                          CASE WHEN t.y_unit = 'um' THEN coalesce(t.expanded_uncertainty_mm, 0) ELSE 0 END) > 0
       END AS flagged
FROM told AS t
LEFT JOIN run_middle AS r ON r.process = t.process AND r.kind = t.kind AND r.side = t.side AND r.y_unit = t.y_unit
  AND r.run = t.run AND r.part = t.part AND r.characteristic = t.characteristic
LEFT JOIN whole AS w ON w.process = t.process AND w.kind = t.kind AND w.side = t.side AND w.y_unit = t.y_unit
LEFT JOIN own AS o ON o.process = t.process AND o.kind = t.kind AND o.side = t.side AND o.y_unit = t.y_unit
  AND o.part = t.part AND o.characteristic = t.characteristic
LEFT JOIN believed AS b ON b.run = t.run AND b.serial = t.serial AND b.characteristic = t.characteristic
  AND (b.number = t.part OR t.plant || '/' || b.number = t.part)
