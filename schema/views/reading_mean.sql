-- title: One stage of one characteristic
-- question: What did the repeats of a reading give together?
-- needs: reading_at_20c
-- Blunders that a person confirmed stay out of the mean and are counted. Where repeats were not taken in one way,
-- the way reads as both, which no other stage can equal.
SELECT run, part, serial, characteristic, stage,
       count(*) FILTER (WHERE NOT blunder) AS readings,
       count(*) FILTER (WHERE blunder) AS blunders,
       avg(value_20c) FILTER (WHERE NOT blunder) AS value_20c,
       stddev_samp(value_20c) FILTER (WHERE NOT blunder) AS scatter,
       bool_and(in_mm) AS in_mm,
       bool_or(in_mm) <> bool_and(in_mm) AS mixed_units,
       CASE WHEN min(held) <> max(held) THEN min(held) || ' and ' || max(held) ELSE min(held) END AS held,
       CASE WHEN min(datum) <> max(datum) THEN min(datum) || ' and ' || max(datum) ELSE min(datum) END AS datum,
       CASE WHEN min(surface) <> max(surface) THEN min(surface) || ' and ' || max(surface) ELSE min(surface) END
         AS surface,
       bool_or(held IS NULL OR datum IS NULL OR surface IS NULL) AS way_unrecorded,
       CASE WHEN min(held) <> max(held) THEN 'held'
            WHEN min(datum) <> max(datum) THEN 'datum'
            WHEN min(surface) <> max(surface) THEN 'surface' END AS way_mixed,
       CASE WHEN bool_or(corrected_20c = 'no temperatures') THEN 'no temperatures'
            WHEN bool_or(corrected_20c = 'no expansion figures') THEN 'no expansion figures'
            WHEN bool_or(corrected_20c = 'yes') THEN 'yes'
            ELSE 'not needed' END AS corrected_20c,
       CASE WHEN count(*) = count(expanded_uncertainty_mm) THEN max(expanded_uncertainty_mm) END
         AS expanded_uncertainty_mm,
       CASE WHEN min(gauge) <> max(gauge) THEN min(gauge) || '; ' || max(gauge) ELSE min(gauge) END AS gauge,
       min(read_at) AS first_read_at,
       max(read_at) AS last_read_at
FROM reading_at_20c
GROUP BY ALL
