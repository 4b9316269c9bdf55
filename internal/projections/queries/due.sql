-- The dates of what stands in stock that fell due after one instant and up to another.
-- $1 after  $2 up to
SELECT ends_by AS at, false AS discard, code, place
FROM stock
WHERE open AND ends_by > $1 AND ends_by <= $2
UNION
SELECT discard_by, true, code, place
FROM stock
WHERE open AND discard_by > $1 AND discard_by <= $2
ORDER BY at, discard, code, place
