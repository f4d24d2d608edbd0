-- title: Part numbers that plants describe differently
-- question: Which part numbers mean another part, or another characteristic, at another plant?
-- needs: part, characteristic
-- Such a part number stays with its plant's name before it; all others are one part number in all plants.
WITH described AS (
  SELECT substr(part, length(plant) + 2) AS number,
         coalesce(substr(material, length(plant) + 2), '') || '|' || coalesce(shape, '') || '|'
           || coalesce(CAST(length_mm AS VARCHAR), '') || '|' || coalesce(CAST(section_thick_mm AS VARCHAR), '') AS said
  FROM part
),
measured AS (
  SELECT substr(part, length(plant) + 2) AS number, characteristic,
         kind || '|' || scale || '|' || coalesce(unit, '') || '|' || coalesce(CAST(nominal_mm AS VARCHAR), '') || '|'
           || coalesce(CAST(reference_length_mm AS VARCHAR), '') AS said
  FROM characteristic
)
SELECT number
FROM described
GROUP BY number
HAVING count(DISTINCT said) > 1
UNION
SELECT number
FROM measured
GROUP BY number, characteristic
HAVING count(DISTINCT said) > 1
