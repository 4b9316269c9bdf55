-- The events recorded after a position that change what had occurred by an instant: what was written down late, what was
-- written down within a minute of it, and corrections of what happened by then.
-- $1 position  $2 instant, not later than that position was recorded  $3 last position within a minute after the instant
SELECT l.canonical
FROM log l
WHERE l.recorded_at - l.occurred_at > interval '1 minute' AND tstzrange(l.occurred_at, l.recorded_at, '[]') @> $2::timestamptz
    AND l.position > $1
UNION
SELECT l.canonical
FROM log l
WHERE l.position > $1 AND l.position <= $3
UNION
SELECT l.canonical
FROM corrections c
JOIN log l USING (position)
WHERE tstzrange(least(c.acts_at, c.recorded_at), c.recorded_at, '[]') @> $2::timestamptz AND c.position > $1
