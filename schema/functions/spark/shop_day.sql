-- title: The day on the shop's calendar
-- question: On which day was a moment, as the clocks of a zone show it?
-- The same day as functions/duckdb/shop_day.sql: the expression is put in place of shop_day(moment, zone), moment_ and
-- zone_ being what was given.
SELECT CAST(convert_timezone('UTC', zone_, CAST(moment_ AS TIMESTAMP_NTZ)) AS DATE)
