-- title: Parameters
-- question: Which numbers describe each run, measured, asked or stated?
-- needs: parameter, run, cycle
SELECT x.run, r.started, r.furnace, r.cycle, r.cycle_revision, cy.process, r.status, x.parameter, x.channel, x.value,
       x.unit, x.source, x.se, x.at_s, x.note, x.algorithm
FROM parameter AS x
JOIN run AS r ON r.run = x.run
LEFT JOIN cycle AS cy ON cy.cycle = r.cycle AND cy.revision = r.cycle_revision
