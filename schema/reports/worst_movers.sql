-- title: Worst movers
-- question: Which pieces moved farthest for their kind, in which run, and did they leave their tolerance?
-- needs: movement
-- parameter: most | integer | | 20 | how many of each kind
-- parameter: kind | text | | | only this kind of characteristic
-- parameter: since | date | | | runs begun on or after this date
-- column: kind | text | | kind of characteristic
-- column: place | integer | | 1 moved farthest
-- column: run | text | | run
-- column: started | date | | when it began, UTC
-- column: furnace | text | | furnace
-- column: part | text | | part number
-- column: serial | text | | serial number
-- column: characteristic | text | | characteristic
-- column: movement_um | number | um | after minus before
-- column: movement_um_per_100mm | number | um | the same for each 100 mm of the reference length
-- column: movement_share_of_tolerance | number | | the same as a share of the tolerance's width
-- column: outside_tolerance | text | | is the after reading outside the tolerance
-- column: setup | text | | how the piece stood or hung
-- column: atmosphere | text | | the run's, else the furnace's
WITH placed AS (
  SELECT kind, run, started, furnace, part, serial, characteristic, movement_um, movement_um_per_100mm,
         movement_share_of_tolerance,
         coalesce(after_mm < lower_mm OR after_mm > upper_mm,
                  CASE WHEN coalesce(lower_mm, upper_mm) IS NOT NULL THEN false END) AS outside_tolerance,
         setup, atmosphere,
         row_number() OVER (PARTITION BY kind ORDER BY abs(movement_um) DESC, run, part, serial, characteristic) AS place
  FROM movement
  WHERE movement_um IS NOT NULL
    AND ($kind IS NULL OR kind = $kind)
    AND ($since IS NULL OR shop_day(started, $zone) >= $since)
)
SELECT kind, place, run, started, furnace, part, serial, characteristic, movement_um, movement_um_per_100mm,
       movement_share_of_tolerance, outside_tolerance, setup, atmosphere
FROM placed
WHERE place <= $most
ORDER BY kind, place
