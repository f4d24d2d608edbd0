-- title: The plannable parameters of each run
-- question: What was each run asked for, and what did it achieve?
-- needs: parameter
-- Achieved is what the trace shows; where there is no trace, what a person stated. Which of the two it is, stands
-- beside it.
WITH figure AS (
  SELECT run, parameter,
         max(value) FILTER (WHERE source = 'asked') AS asked,
         coalesce(max(value) FILTER (WHERE source = 'trace'), max(value) FILTER (WHERE source = 'stated')) AS achieved,
         max(CASE source WHEN 'trace' THEN 2 WHEN 'stated' THEN 1 END) AS rank
  FROM parameter
  WHERE channel IS NULL
    AND parameter IN ('heating_rate_peak_c_per_h', 'hold_mean_c', 'soak_minutes', 'cooling_rate_peak_c_per_h')
  GROUP BY run, parameter
)
SELECT run,
       CASE max(rank) WHEN 2 THEN 'trace' WHEN 1 THEN 'stated' END AS parameters_from,
       max(asked) FILTER (WHERE parameter = 'heating_rate_peak_c_per_h') AS asked_heating_rate_peak_c_per_h,
       max(achieved) FILTER (WHERE parameter = 'heating_rate_peak_c_per_h') AS heating_rate_peak_c_per_h,
       max(asked) FILTER (WHERE parameter = 'hold_mean_c') AS asked_hold_mean_c,
       max(achieved) FILTER (WHERE parameter = 'hold_mean_c') AS hold_mean_c,
       max(asked) FILTER (WHERE parameter = 'soak_minutes') AS asked_soak_minutes,
       max(achieved) FILTER (WHERE parameter = 'soak_minutes') AS soak_minutes,
       max(asked) FILTER (WHERE parameter = 'cooling_rate_peak_c_per_h') AS asked_cooling_rate_peak_c_per_h,
       max(achieved) FILTER (WHERE parameter = 'cooling_rate_peak_c_per_h') AS cooling_rate_peak_c_per_h
FROM figure
GROUP BY run
