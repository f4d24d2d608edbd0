-- title: Runs
-- question: What was each run: furnace, cycle, load, what was asked, what was achieved, how it was judged?
-- needs: run, furnace, cycle, run_parameter, run_verdict, piece, trace
WITH load AS (
  SELECT run, count(*) AS lines, sum(quantity) AS pieces, count(DISTINCT part) AS parts
  FROM piece
  GROUP BY run
),
kept AS (
  SELECT run, count(*) AS traces
  FROM trace
  WHERE state = 'current'
  GROUP BY run
)
SELECT r.run, r.started, r.ended, r.furnace, coalesce(r.atmosphere, f.atmosphere) AS atmosphere, r.cycle,
       r.cycle_revision, cy.title AS cycle_title, cy.process, r.setup, r.load_mass_kg, r.operator, r.status,
       r.repeats_run, r.note, CAST(coalesce(l.pieces, 0) AS BIGINT) AS pieces, coalesce(l.parts, 0) AS parts,
       coalesce(k.traces, 0) > 0 AS has_trace,
       v.verdict, v.clauses, v.clauses_kept, v.clauses_broken, v.clauses_untold, v.faults,
       rp.parameters_from,
       rp.asked_heating_rate_peak_c_per_h, rp.heating_rate_peak_c_per_h, rp.asked_hold_mean_c, rp.hold_mean_c,
       rp.asked_soak_minutes, rp.soak_minutes, rp.asked_cooling_rate_peak_c_per_h, rp.cooling_rate_peak_c_per_h
FROM run AS r
LEFT JOIN furnace AS f ON f.furnace = r.furnace
LEFT JOIN cycle AS cy ON cy.cycle = r.cycle AND cy.revision = r.cycle_revision
LEFT JOIN load AS l ON l.run = r.run
LEFT JOIN kept AS k ON k.run = r.run
LEFT JOIN run_verdict AS v ON v.run = r.run
LEFT JOIN run_parameter AS rp ON rp.run = r.run
