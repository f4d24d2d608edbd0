-- title: Samples of all traces
-- question: What did every channel of every run show, and when?
-- needs: trace_file, trace_place
-- column: run | text | | run
-- column: channel | text | | channel's name
-- column: role | text | | what the channel measures
-- column: quantity | text | | temperature, pressure, dew point, oxygen or other
-- column: unit | text | | unit of the value: c for temperatures, else as recorded
-- column: t_s | number | s | seconds from the trace's start
-- column: sampled_at | text | | moment in UTC
-- column: value | number | | value as recorded; thermocouple corrections are not applied
-- column: flag | integer | | bits: 1 missing, 2 open, 4 out of range, 8 duplicate time, 16 backward time, 32 not sampled (another recorder of the run was)
-- column: channel_number | integer | | number of the channel in the trace file
-- The session puts the list of the book's trace files in place of {trace_files}; file_index is a file's place in it.
SELECT
  f.run,
  k.channel,
  k.role,
  k.quantity,
  k.unit,
  s.t_s,
  f.started + to_microseconds(CAST(s.t_s * 1e6 AS BIGINT)) AS sampled_at,
  s.value,
  s.flag,
  s.channel AS channel_number
FROM {trace_files} AS s
JOIN trace_file AS f ON f.file = s.file_index
JOIN trace_place AS k ON k.place = f.first_place + s.channel
