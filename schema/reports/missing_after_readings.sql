-- title: Pieces without an after reading
-- question: Which pieces were measured before their run and not after it?
-- needs: movement
-- parameter: since | date | | | runs begun on or after this date
-- column: run | text | | run
-- column: started | date | | when it began, UTC
-- column: job | text | | job
-- column: customer | text | | the job's customer, else the part's
-- column: part | text | | part number
-- column: serial | text | | serial number
-- column: missing | integer | | characteristics read before and not after
-- column: characteristics | text | | which
SELECT run, started, job, customer, part, serial, count(*) AS missing,
       string_agg(characteristic, ', ' ORDER BY characteristic) AS characteristics
FROM movement
WHERE set_aside = 'no after reading' AND ($since IS NULL OR shop_day(started, $zone) >= $since)
GROUP BY run, started, job, customer, part, serial
ORDER BY started, run, part, serial
