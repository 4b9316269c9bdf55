-- Where the book stands: its head, the book's time, and when the next date of anything in stock falls due.
-- $1 the clock's time  $2 whether the manual clock counts
WITH at AS (
    SELECT h.*, greatest(coalesce(CASE WHEN $2::boolean THEN manual_now END, $1::timestamptz), recorded_at) AS now
    FROM head h
)
SELECT position, definitions_at, epoch, recorded_at, now,
    least(
        (SELECT min(ends_by) FROM stock WHERE open AND ends_by > at.now),
        (SELECT min(discard_by) FROM stock WHERE open AND discard_by > at.now)
    ) AS next_due
FROM at
