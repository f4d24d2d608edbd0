-- title: Readings at 20 °C
-- question: What is each reading worth at 20 °C, as ISO 1 asks?
-- needs: reading, characteristic, part, material, gauge, confirmation
-- A size is what the gauge showed, times how far the gauge's own scale had grown, over how far the piece had: a
-- steel gauge and a steel piece both at 30 °C cancel. Form, angle and hardness are never corrected, nor is a
-- reading that says it is already at 20 °C. A reading that a person confirmed as a blunder is marked.
WITH blunder AS (
  SELECT k.reading_id, k.decision
  FROM confirmation AS k
  WHERE k.subject = 'reading'
  QUALIFY row_number() OVER (PARTITION BY k.reading_id ORDER BY k.confirmation_id DESC) = 1
),
told AS (
  SELECT r.reading_id, r.run, r.part, r.serial, r.characteristic, r.stage, r.repeat, r.read_at, r.inspector,
         r.gauge, r.held, r.supports_at_mm, r.orientation, r.datum, r.surface, r.piece_temp_c, r.gauge_temp_c,
         r.already_at_20c, c.kind, c.scale,
         coalesce(c.nominal_mm, c.nominal) AS nominal_mm, coalesce(c.lower_mm, c.lower) AS lower_mm,
         coalesce(c.upper_mm, c.upper) AS upper_mm, c.reference_length_mm,
         r.value_mm IS NOT NULL AS in_mm,
         coalesce(c.unit, CASE WHEN r.value_mm IS NOT NULL THEN 'mm' ELSE '' END) AS unit,
         coalesce(r.value_mm, r.value) AS value_as_read,
         m.cte_per_k, g.expansion_per_k, g.resolution_mm,
         CASE WHEN r.value_mm IS NOT NULL THEN g.expanded_uncertainty_mm END AS expanded_uncertainty_mm,
         coalesce(b.decision = 'confirmed', false) AS blunder,
         CASE
           WHEN r.value_mm IS NULL
             OR c.kind NOT IN ('outside diameter', 'inside diameter', 'length', 'width', 'thickness', 'distance')
             OR coalesce(r.already_at_20c, false) THEN 'not needed'
           WHEN r.piece_temp_c IS NULL OR r.gauge_temp_c IS NULL THEN 'no temperatures'
           WHEN m.cte_per_k IS NULL OR g.expansion_per_k IS NULL THEN 'no expansion figures'
           ELSE 'yes'
         END AS corrected_20c
  FROM reading AS r
  JOIN characteristic AS c ON c.part = r.part AND c.characteristic = r.characteristic
  JOIN part AS p ON p.part = r.part
  LEFT JOIN material AS m ON m.material = p.material
  LEFT JOIN gauge AS g ON g.gauge = r.gauge
  LEFT JOIN blunder AS b ON b.reading_id = r.reading_id
)
SELECT told.*,
       CASE WHEN corrected_20c = 'yes'
            THEN value_as_read * (1 + expansion_per_k * (gauge_temp_c - 20)) / (1 + cte_per_k * (piece_temp_c - 20))
            ELSE value_as_read
       END AS value_20c
FROM told
