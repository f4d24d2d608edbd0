-- title: Verdicts
-- question: How did each clause of each run end: kept, broken, or cannot be told?
-- needs: finding, run, cycle
SELECT x.run, r.started, r.furnace, r.cycle, r.cycle_revision, cy.process, r.status, x.name AS clause, x.verdict,
       x.text, x.channel, x.first_at, x.worst_at, x.first_s, x.worst_s, x.lasted_s, x.value, x.limit_value, x.unit,
       x.asked, x.missing, x.without, x.uncertain, x.uncertainty, x.segment, x.algorithm
FROM finding AS x
JOIN run AS r ON r.run = x.run
LEFT JOIN cycle AS cy ON cy.cycle = r.cycle AND cy.revision = r.cycle_revision
WHERE x.what = 'clause'
