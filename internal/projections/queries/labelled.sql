-- What stands somewhere and has had a label printed, and every part that stands somewhere, in code order.
-- $1 places, null for all
SELECT t.code
FROM things t
WHERE t.code IN (SELECT code FROM stock WHERE open AND ($1::text[] IS NULL OR place = ANY ($1)))
    AND (t.part > 0 OR t.state ? 'label')
    AND t.kind <> 'charge'
ORDER BY t.day, t.sequence, t.part, t.code
