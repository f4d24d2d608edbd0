-- title: Thermocouples that failed often
-- question: Which channels of which furnace are suspected of a fault again and again, and after how many uses?
-- needs: channel, run, faults
-- parameter: least | integer | | 2 | list channels with at least so many faulty runs
-- column: furnace | text | | furnace
-- column: channel | text | | channel's name
-- column: role | text | | what it measures
-- column: tc_type | text | | thermocouple type
-- column: place | text | | where on the piece, where always the same
-- column: runs | integer | | runs that recorded it
-- column: faulty_runs | integer | | of these, runs with a suspected or certain fault
-- column: share | number | | faulty runs over runs
-- column: faults | text | | which faults
-- column: mean_uses | number | | mean number of uses before, in faulty runs
-- column: last_fault | date | | when the last faulty run began, UTC
WITH seen AS (
  SELECT r.furnace, c.channel, c.role, count(DISTINCT c.run) AS runs, min(c.tc_type) AS tc_type,
         CASE WHEN min(c.place) = max(c.place) THEN min(c.place) END AS place
  FROM channel AS c
  JOIN run AS r ON r.run = c.run
  GROUP BY r.furnace, c.channel, c.role
),
kinds AS (
  SELECT DISTINCT furnace, channel, role, fault
  FROM faults
  WHERE (decision IS NULL AND verdict <> 'reported') OR decision = 'confirmed'
),
kind_list AS (
  SELECT furnace, channel, role, string_agg(fault, ', ' ORDER BY fault) AS faults
  FROM kinds
  GROUP BY furnace, channel, role
),
failed AS (
  SELECT furnace, channel, role, count(DISTINCT run) AS faulty_runs, avg(uses) AS mean_uses, max(started) AS last_fault
  FROM faults
  WHERE (decision IS NULL AND verdict <> 'reported') OR decision = 'confirmed'
  GROUP BY furnace, channel, role
)
SELECT s.furnace, s.channel, s.role, s.tc_type, s.place, s.runs, f.faulty_runs, f.faulty_runs / s.runs AS share,
       k.faults, f.mean_uses, f.last_fault
FROM seen AS s
JOIN failed AS f ON f.furnace = s.furnace AND f.channel = s.channel AND f.role = s.role
JOIN kind_list AS k ON k.furnace = s.furnace AND k.channel = s.channel AND k.role = s.role
WHERE f.faulty_runs >= $least
ORDER BY share DESC, s.furnace, s.channel
