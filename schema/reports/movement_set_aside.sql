-- title: Movement set aside, by reason
-- question: Which readings give no movement, and why?
-- needs: movement
-- parameter: part | text | | | only this part number
-- column: reason | text | | why the pair gives no movement
-- column: process | text | | what the cycle was for
-- column: part | text | | part number
-- column: runs | integer | | runs
-- column: pieces | integer | | pieces
-- column: pairs | integer | | pairs of readings set aside (pieces times characteristics)
-- column: first_run | date | | when the first of these runs began, UTC
-- column: last_run | date | | when the last of these runs began, UTC
SELECT set_aside AS reason, process, part, count(DISTINCT run) AS runs, count(DISTINCT serial) AS pieces,
       count(*) AS pairs, min(started) AS first_run, max(started) AS last_run
FROM movement
WHERE set_aside IS NOT NULL AND ($part IS NULL OR part = $part)
GROUP BY set_aside, process, part
ORDER BY set_aside, process, part
