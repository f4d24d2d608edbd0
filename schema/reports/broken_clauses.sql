-- title: Runs that broke a clause
-- question: Which runs broke which clause of their cycle, when, by which channel and by how much?
-- needs: verdicts
-- parameter: since | date | | | runs begun on or after this date
-- parameter: furnace | text | | | only this furnace
-- column: run | text | | run
-- column: started | date | | when it began, UTC
-- column: furnace | text | | furnace
-- column: cycle | text | | cycle
-- column: cycle_revision | text | | its revision
-- column: clause | text | | the clause's short name
-- column: text | text | | the clause as a sentence
-- column: first_at | date | | first moment of the breach, UTC
-- column: worst_at | date | | worst moment, UTC
-- column: channel | text | | channels of the worst moment
-- column: value | number | | the worst value, in the unit beside it
-- column: limit_value | number | | the limit, in the unit beside it
-- column: unit | text | | unit of value and limit
-- column: lasted_min | number | min | total time in breach
-- column: without | text | | verdict with suspected channels left out, where it differs
SELECT run, started, furnace, cycle, cycle_revision, clause, text, first_at, worst_at, channel, value, limit_value, unit,
       lasted_s / 60 AS lasted_min, without
FROM verdicts
WHERE verdict = 'broken'
  AND ($since IS NULL OR shop_day(started, $zone) >= $since)
  AND ($furnace IS NULL OR furnace = $furnace)
ORDER BY started, run, first_at, clause
