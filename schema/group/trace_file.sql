-- title: The traces' files
-- question: Which run's trace is in which file, and where do its channels stand in trace_place?
-- needs: published_trace, trace
-- 65,536 places for each trace: a channel's number has 16 bits
SELECT f.file, t.run, t.trace_id, t.started, 65536 * row_number() OVER (ORDER BY t.trace_id) AS first_place
FROM published_trace AS f
JOIN trace AS t ON t.run = f.run
