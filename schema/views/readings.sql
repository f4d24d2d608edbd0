-- title: Readings
-- question: What was read on which piece, when, how, and what is it at 20 °C?
-- needs: reading_at_20c, run, part, piece
SELECT x.run, r.started, r.furnace, x.part, p.material, x.serial, pc.job, x.characteristic, x.kind, x.stage, x.repeat,
       x.value_as_read, x.value_20c, x.unit, x.corrected_20c, x.nominal_mm, x.lower_mm, x.upper_mm,
       coalesce(x.value_20c < x.lower_mm OR x.value_20c > x.upper_mm,
                CASE WHEN coalesce(x.lower_mm, x.upper_mm) IS NOT NULL AND x.value_20c IS NOT NULL THEN false END)
         AS outside_tolerance,
       x.gauge, x.expanded_uncertainty_mm, x.piece_temp_c, x.gauge_temp_c, x.already_at_20c, x.held, x.supports_at_mm,
       x.orientation, x.datum, x.surface, x.read_at, x.inspector, x.blunder, x.reading_id
FROM reading_at_20c AS x
JOIN run AS r ON r.run = x.run
JOIN part AS p ON p.part = x.part
LEFT JOIN piece AS pc ON pc.run = x.run AND pc.part = x.part AND pc.serial = x.serial
