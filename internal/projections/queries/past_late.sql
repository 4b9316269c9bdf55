-- The events recorded after a position that changed what had occurred by an instant, each with the instant from which on: what
-- was written down late, what was written down within a minute of it, and corrections of what happened by then.
-- $1 position  $2 instant, not later than what comes after the position was recorded  $3 last position within a minute after it
SELECT l.canonical, l.occurred_at AS since
FROM log l
WHERE l.recorded_at - l.occurred_at > interval '1 minute' AND tstzrange(l.occurred_at, l.recorded_at, '[]') @> $2::timestamptz
    AND l.position > $1
UNION ALL
SELECT l.canonical, l.occurred_at
FROM log l
WHERE l.position > $1 AND l.position <= $3 AND l.occurred_at <= $2::timestamptz
UNION ALL
SELECT l.canonical, least(c.acts_at, c.recorded_at)
FROM corrections c
JOIN log l USING (position)
WHERE tstzrange(least(c.acts_at, c.recorded_at), c.recorded_at, '[]') @> $2::timestamptz AND c.position > $1
