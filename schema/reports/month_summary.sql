-- title: Month summary
-- question: What did each furnace do in each month: runs, pieces, verdicts, suspected thermocouples?
-- needs: runs
-- parameter: since | date | | | runs begun on or after this date
-- column: month_begins | date | | first day of the month, on the shop's clock
-- column: furnace | text | | furnace
-- column: runs | integer | | runs begun in the month
-- column: aborted | integer | | of these, aborted
-- column: void | integer | | of these, void
-- column: pieces | integer | | pieces in these runs
-- column: load_mass_kg | number | kg | mass of the loads, where recorded
-- column: cycles_kept | integer | | runs that kept every clause; says nothing about the parts
-- column: cycles_broken | integer | | runs that broke a clause
-- column: cannot_be_told | integer | | runs whose verdict cannot be told
-- column: without_trace | integer | | runs whose chart is on paper
-- column: suspected_faults | integer | | thermocouple faults, certain or suspected
SELECT CAST(date_trunc('month', shop_day(started, $zone)) AS DATE) AS month_begins, furnace, count(*) AS runs,
       count(*) FILTER (WHERE status = 'aborted') AS aborted,
       count(*) FILTER (WHERE status = 'void') AS void,
       CAST(sum(pieces) AS BIGINT) AS pieces,
       sum(load_mass_kg) AS load_mass_kg,
       count(*) FILTER (WHERE verdict = 'kept') AS cycles_kept,
       count(*) FILTER (WHERE verdict = 'broken') AS cycles_broken,
       count(*) FILTER (WHERE verdict = 'cannot be told') AS cannot_be_told,
       count(*) FILTER (WHERE NOT has_trace) AS without_trace,
       CAST(coalesce(sum(faults), 0) AS BIGINT) AS suspected_faults
FROM runs
WHERE $since IS NULL OR shop_day(started, $zone) >= $since
GROUP BY CAST(date_trunc('month', shop_day(started, $zone)) AS DATE), furnace
ORDER BY month_begins, furnace
