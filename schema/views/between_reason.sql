-- title: Pairs that something else came between
-- question: Which one reason sets a pair of readings aside because of another operation?
-- needs: between_operation
SELECT run, part, serial, characteristic,
       coalesce(min(reason) FILTER (WHERE how = 'between'), min(reason)) AS reason
FROM between_operation
GROUP BY run, part, serial, characteristic
