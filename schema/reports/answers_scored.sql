-- title: Answers and what became of them
-- question: Which answers were given, and how many of the pieces measured since fell inside them?
-- needs: answer, answer_outcome
-- parameter: part | text | | | only this part number
-- column: answer_id | integer | | number of the answer
-- column: answered_at | date | | when it was given, UTC
-- column: part | text | | part number
-- column: characteristic | text | | characteristic
-- column: job | text | | job it was given for
-- column: low | number | | lower end, in the unit beside it
-- column: high | number | | upper end, in the unit beside it
-- column: unit | text | | unit of low and high
-- column: runs | integer | | runs measured since: the unit of evidence
-- column: pieces | integer | | pieces measured since
-- column: inside | integer | | of these, inside the interval
-- column: share_inside | number | | inside over pieces
-- column: within_bound | integer | | within the one-sided bound
WITH scored AS (
  SELECT answer_id, count(*) AS runs, CAST(sum(pieces) AS BIGINT) AS pieces, CAST(sum(inside) AS BIGINT) AS inside,
         CAST(sum(within_bound) AS BIGINT) AS within_bound
  FROM answer_outcome
  GROUP BY answer_id
)
SELECT a.answer_id, a.answered_at, a.part, a.characteristic, a.job, a.low, a.high, a.unit, coalesce(s.runs, 0) AS runs,
       coalesce(s.pieces, 0) AS pieces, s.inside, CAST(s.inside AS DOUBLE) / s.pieces AS share_inside, s.within_bound
FROM answer AS a
LEFT JOIN scored AS s ON s.answer_id = a.answer_id
WHERE $part IS NULL OR a.part = $part
ORDER BY a.answered_at, a.answer_id
