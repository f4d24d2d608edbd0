-- title: Movement
-- question: How far did each characteristic of each piece move in its run, and what is set aside, and why?
-- needs: reading_pair, between_reason, run, furnace, cycle, piece, part, material, job, characteristic
-- After minus before, where the run is the only operation between the two readings and both were taken in the same
-- way. One row per run, part, serial and characteristic with a reading; where set_aside gives a reason, movement
-- is NULL. before_mm, after_mm and the limits hold an angle, a hardness or a stress in its own unit (see unit), then
-- without µm. What is read on a cut piece (case depth, grain size, ...) has no before of the same piece: set aside.
WITH told AS (
  SELECT x.*, r.furnace, r.status, r.cycle, r.cycle_revision, r.setup AS run_setup, r.atmosphere AS run_atmosphere,
         pc.job, pc.quantity, pc.condition, pc.machining, pc.setup AS piece_setup, pc.position, pc.stock_mm,
         pc.heat_number, pc.supports, pc.span_mm, pc.axis, pc.tempered_at_c,
         c.kind, c.scale, coalesce(c.nominal_mm, c.nominal) AS nominal_mm, coalesce(c.lower_mm, c.lower) AS lower_mm,
         coalesce(c.upper_mm, c.upper) AS upper_mm, c.reference_length_mm,
         coalesce(c.unit, CASE WHEN x.in_mm THEN 'mm' ELSE '' END) AS unit,
         CASE
           WHEN r.status = 'void' THEN 'run void'
           WHEN r.status = 'aborted' THEN 'run aborted'
           WHEN (x.before_readings = 0 AND x.before_blunders > 0) OR (x.after_readings = 0 AND x.after_blunders > 0)
             THEN 'blunder confirmed'
           WHEN c.kind IN ('case depth', 'decarburisation depth', 'grain size', 'retained austenite')
             THEN 'section result'
           WHEN NOT x.has_before THEN 'no before reading'
           WHEN NOT x.has_after THEN 'no after reading'
           WHEN x.mixed_units THEN 'units differ'
           WHEN x.before_read_at > x.started OR x.after_read_at < x.started THEN 'run not between the readings'
           WHEN u.reason IS NOT NULL THEN u.reason
           WHEN x.held_differs THEN 'held differently'
           WHEN x.datum_differs THEN 'datum differs'
           WHEN x.surface_differs THEN 'surface differs'
           WHEN pc.quantity > 1 THEN 'lot without serials'
         END AS set_aside
  FROM reading_pair AS x
  JOIN run AS r ON r.run = x.run
  JOIN characteristic AS c ON c.part = x.part AND c.characteristic = x.characteristic
  JOIN piece AS pc ON pc.run = x.run AND pc.part = x.part AND pc.serial = x.serial
  LEFT JOIN between_reason AS u ON u.run = x.run AND u.part = x.part AND u.serial = x.serial
    AND u.characteristic = x.characteristic
),
moved AS (
  SELECT told.*,
         CASE WHEN set_aside IS NULL THEN after_value - before_value END AS movement_mm,
         CASE WHEN in_mm THEN sqrt(before_uncertainty_mm * before_uncertainty_mm
                                   + after_uncertainty_mm * after_uncertainty_mm) END AS expanded_uncertainty_mm
  FROM told
)
SELECT m.run, m.started, m.furnace, m.cycle, m.cycle_revision, cy.process, m.part, p.revision, p.material, mt.family,
       p.shape, coalesce(j.customer, p.customer) AS customer, m.job, m.serial, m.quantity, m.condition, m.machining,
       coalesce(m.piece_setup, m.run_setup) AS setup, coalesce(m.run_atmosphere, f.atmosphere) AS atmosphere,
       m.position, p.length_mm, p.section_thick_mm, p.section_thin_mm, m.stock_mm, m.supports, m.span_mm, m.axis,
       m.tempered_at_c, m.heat_number, m.characteristic, m.kind,
       CASE WHEN m.kind = 'inside diameter' THEN 'inside'
            WHEN m.kind IN ('outside diameter', 'length', 'width', 'thickness', 'distance', 'angle') THEN 'outside'
            WHEN m.kind IN ('hardness', 'residual stress', 'case depth', 'decarburisation depth', 'grain size',
                            'retained austenite') THEN 'other'
            ELSE 'form' END AS side,
       m.scale, m.unit, m.reference_length_mm, m.nominal_mm, m.lower_mm, m.upper_mm,
       m.before_value AS before_mm, m.after_value AS after_mm, m.before_scatter AS before_scatter_mm,
       m.after_scatter AS after_scatter_mm, least(m.before_readings, m.after_readings) AS repeats,
       m.movement_mm,
       CASE WHEN m.in_mm THEN m.movement_mm * 1000 END AS movement_um,
       CASE WHEN m.in_mm THEN m.movement_mm * 1000 / (m.reference_length_mm / 100) END AS movement_um_per_100mm,
       m.movement_mm / nullif(m.upper_mm - m.lower_mm, 0) AS movement_share_of_tolerance,
       CASE WHEN m.before_gauge <> m.after_gauge THEN m.before_gauge || '; ' || m.after_gauge
            ELSE coalesce(m.before_gauge, m.after_gauge) END AS gauge,
       m.expanded_uncertainty_mm, abs(m.movement_mm) < m.expanded_uncertainty_mm AS below_gauge,
       m.before_read_at, m.after_read_at,
       CASE WHEN m.way_unrecorded THEN 'unrecorded' ELSE 'same' END AS way,
       CASE WHEN coalesce(m.before_corrected_20c, '') = 'no temperatures'
              OR coalesce(m.after_corrected_20c, '') = 'no temperatures' THEN 'no temperatures'
            WHEN coalesce(m.before_corrected_20c, '') = 'no expansion figures'
              OR coalesce(m.after_corrected_20c, '') = 'no expansion figures' THEN 'no expansion figures'
            WHEN coalesce(m.before_corrected_20c, '') = 'yes' OR coalesce(m.after_corrected_20c, '') = 'yes' THEN 'yes'
            ELSE 'not needed' END AS corrected_20c,
       m.before_readings, m.after_readings, m.before_blunders + m.after_blunders AS blunders_confirmed,
       m.set_aside
FROM moved AS m
JOIN part AS p ON p.part = m.part
LEFT JOIN material AS mt ON mt.material = p.material
LEFT JOIN furnace AS f ON f.furnace = m.furnace
LEFT JOIN cycle AS cy ON cy.cycle = m.cycle AND cy.revision = m.cycle_revision
LEFT JOIN job AS j ON j.job = m.job
