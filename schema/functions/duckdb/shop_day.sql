-- title: The day on the shop's calendar
-- question: On which day was a moment, as the clocks of a zone show it?
-- shop_day(moment, zone): a moment in UTC without a zone (TIMESTAMP), and a name of the IANA database. AT TIME ZONE alone
-- is read differently by the two engines where the moment has no zone, so each has its own words for this.
CREATE OR REPLACE MACRO shop_day(moment, zone) AS
  CAST(timezone(zone, timezone('UTC', CAST(moment AS TIMESTAMP))) AS DATE)
