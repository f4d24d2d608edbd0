-- title: The (n+1)p quantile
-- question: Below which value does the share p of the values lie?
-- The same figure as functions/duckdb/quantile_np1.sql. Spark cannot name an aggregate of one's own in SQL, so the
-- expression itself is put in place of quantile_np1(x, p), x_ and p_ being what was given. NaN does not occur.
SELECT element_at(
  transform(
    array(sort_array(collect_list(CAST(x_ AS DOUBLE)))),
    v -> CASE
      WHEN size(v) > 0 THEN
        element_at(v, CAST(floor(least(greatest((size(v) + 1) * CAST(p_ AS DOUBLE), 1), size(v))) AS INT))
        + (least(greatest((size(v) + 1) * CAST(p_ AS DOUBLE), 1), size(v))
           - floor(least(greatest((size(v) + 1) * CAST(p_ AS DOUBLE), 1), size(v))))
          * (element_at(v, CAST(ceil(least(greatest((size(v) + 1) * CAST(p_ AS DOUBLE), 1), size(v))) AS INT))
             - element_at(v, CAST(floor(least(greatest((size(v) + 1) * CAST(p_ AS DOUBLE), 1), size(v))) AS INT)))
    END),
  1)
