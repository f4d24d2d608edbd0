-- title: Pieces
-- question: Which pieces went through which run, of what part, in what condition and how set up?
-- needs: piece, run, furnace, cycle, part, material, job
SELECT pc.run, r.started, r.furnace, coalesce(r.atmosphere, f.atmosphere) AS atmosphere, r.cycle, r.cycle_revision,
       cy.process, r.status, pc.part, p.revision, p.description, p.material, m.family, p.shape, p.length_mm,
       p.section_thick_mm, p.section_thin_mm, p.mass_kg, coalesce(j.customer, p.customer) AS customer, pc.job,
       pc.serial, pc.heat_number, pc.quantity, coalesce(pc.setup, r.setup) AS setup, pc.supports, pc.span_mm, pc.axis,
       pc.position, pc.machining, pc.condition, pc.stock_mm, pc.tempered_at_c
FROM piece AS pc
JOIN run AS r ON r.run = pc.run
JOIN part AS p ON p.part = pc.part
LEFT JOIN material AS m ON m.material = p.material
LEFT JOIN furnace AS f ON f.furnace = r.furnace
LEFT JOIN cycle AS cy ON cy.cycle = r.cycle AND cy.revision = r.cycle_revision
LEFT JOIN job AS j ON j.job = pc.job
