-- title: Month summary
-- question: What did each furnace do in each month: runs, pieces, verdicts, suspected thermocouples?
-- needs: runs
-- parameter: since | date | | | runs begun on or after this date
SELECT date_trunc('month', started) AS month_begins, furnace, count(*) AS runs,
       sum(CASE WHEN status = 'aborted' THEN 1 ELSE 0 END) AS aborted,
       sum(pieces) AS pieces,
       sum(CASE WHEN verdict = 'kept' THEN 1 ELSE 0 END) AS cycles_kept,
       sum(CASE WHEN verdict = 'broken' THEN 1 ELSE 0 END) AS cycles_broken,
       sum(CASE WHEN verdict = 'cannot be told' THEN 1 ELSE 0 END) AS cannot_be_told,
       sum(CASE WHEN has_trace THEN 0 ELSE 1 END) AS without_trace,
       sum(faults) AS suspected_faults
FROM runs
WHERE $since IS NULL OR started >= $since
GROUP BY date_trunc('month', started), furnace
ORDER BY month_begins, furnace
