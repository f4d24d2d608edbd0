-- title: Runs that broke a clause
-- question: Which runs broke which clause of their cycle, when, by which channel and by how much?
-- needs: verdicts
-- parameter: since | date | | | runs begun on or after this date
-- parameter: furnace | text | | | only this furnace
SELECT run, started, furnace, cycle, cycle_revision, clause, text, first_at, worst_at, channel, value, limit_value, unit,
       lasted_s / 60 AS lasted_min
FROM verdicts
WHERE verdict = 'broken'
  AND ($since IS NULL OR started >= $since)
  AND ($furnace IS NULL OR furnace = $furnace)
ORDER BY started, run, first_at
