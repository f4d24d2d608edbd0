-- title: The (n+1)p quantile
-- question: Below which value does the share p of the values lie?
-- An aggregate: quantile_np1(x, p) over the rows of a group, missing values left out. Linear between order
-- statistics, the extreme value outside them: the definition of analysis/quantiles.py (NIST/SEMATECH e-Handbook 7.2.6.2).
-- The place h = (n+1)p is held between 1 and n; the whole part of h says between which two values, its rest how far.
CREATE OR REPLACE MACRO quantile_place(n, p) AS least(greatest((n + 1) * CAST(p AS DOUBLE), 1), n);
CREATE OR REPLACE MACRO quantile_between(ordered, h) AS (
  ordered[CAST(floor(h) AS BIGINT)]
  + (h - floor(h)) * (ordered[CAST(ceil(h) AS BIGINT)] - ordered[CAST(floor(h) AS BIGINT)])
);
CREATE OR REPLACE MACRO quantile_np1(x, p) AS
  quantile_between(list_sort(list(CAST(x AS DOUBLE)) FILTER (x IS NOT NULL)), quantile_place(count(x), p))
