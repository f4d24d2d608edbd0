-- title: The traces' files and their channels
-- question: Which channel of which run stands under which number in which file?
-- needs: published_trace, trace, trace_channel, channel
SELECT f.file, t.run, t.started, tc.number, tc.channel, c.role, tc.quantity, tc.unit
FROM published_trace AS f
JOIN trace AS t ON t.run = f.run
JOIN trace_channel AS tc ON tc.trace_id = t.trace_id
LEFT JOIN channel AS c ON c.run = t.run AND c.channel = tc.channel
