-- title: Sensor faults
-- question: Which thermocouples are suspected of what, with what evidence, and what did a person decide?
-- needs: finding, run, channel, confirmation
WITH decided AS (
  SELECT k.run, k.channel, k.fault, k.decision, k.person, k.why
  FROM confirmation AS k
  WHERE k.subject = 'fault'
  QUALIFY row_number() OVER (PARTITION BY k.run, k.channel, k.fault ORDER BY k.confirmation_id DESC) = 1
)
SELECT x.run, r.started, r.furnace, r.cycle, x.name AS fault, x.channel, c.role, c.zone, c.serial, c.place,
       c.tc_type, c.uses, c.hottest_c, x.first_at, x.first_s, x.lasted_s, x.confidence, x.verdict, x.text AS evidence,
       d.decision, d.person, d.why, x.algorithm
FROM finding AS x
JOIN run AS r ON r.run = x.run
LEFT JOIN (
  SELECT run, channel, role, zone, serial, place, tc_type, uses, hottest_c FROM channel
) AS c ON c.run = x.run AND c.channel = x.channel
LEFT JOIN decided AS d ON d.run = x.run AND d.channel = x.channel AND d.fault = x.name
WHERE x.what = 'fault'
