-- title: Movement set aside, by reason
-- question: Which readings give no movement, and why?
-- needs: movement
-- parameter: part | text | | | only this part number
SELECT set_aside AS reason, process, part, count(DISTINCT run) AS runs, count(*) AS readings,
       min(started) AS first_run, max(started) AS last_run
FROM movement
WHERE set_aside IS NOT NULL AND ($part IS NULL OR part = $part)
GROUP BY set_aside, process, part
ORDER BY set_aside, process, part
