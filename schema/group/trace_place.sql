-- title: The channels of the traces
-- question: Which channel of which trace stands under which place?
-- needs: trace_file, trace_channel, channel
SELECT f.first_place + tc.number AS place, tc.channel, c.role, tc.quantity, tc.unit
FROM trace_file AS f
JOIN trace_channel AS tc ON tc.trace_id = f.trace_id
LEFT JOIN channel AS c ON c.run = f.run AND c.channel = tc.channel
