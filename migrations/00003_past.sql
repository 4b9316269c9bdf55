-- What questions about the past look for: what was written down late, from when on a correction acts, and what stood on a day.

-- +goose Up

-- What was written down more than a minute after it happened, by the time in between.
CREATE INDEX log_late ON log USING gist (tstzrange(occurred_at, recorded_at, '[]')) WHERE recorded_at - occurred_at > interval '1 minute';

ALTER TABLE corrections
    ADD COLUMN recorded_at timestamptz, -- of the event at position
    ADD COLUMN acts_at     timestamptz; -- the earliest of what it corrects, of what ever counted in its place, and of what it brings

WITH RECURSIVE tree (root, command, position) AS (
    SELECT c.corrected, c.command, c.position
    FROM corrections c
    WHERE NOT EXISTS (SELECT FROM corrections other WHERE other.command = c.corrected)
    UNION ALL
    SELECT t.root, c.command, c.position
    FROM tree t
    JOIN corrections c ON c.corrected = t.command
),
acts (root, position, occurred_at) AS (
    SELECT DISTINCT t.root, 0::bigint, l.occurred_at
    FROM tree t
    JOIN log l ON l.command = t.root
    UNION ALL
    SELECT t.root, t.position, (e ->> 'occurred_at')::timestamptz
    FROM tree t
    JOIN log l USING (position)
    CROSS JOIN LATERAL jsonb_array_elements(l.canonical::jsonb -> 'data' -> 'events') AS brought (e)
)
UPDATE corrections c
SET recorded_at = l.recorded_at,
    acts_at = (SELECT min(a.occurred_at) FROM tree t JOIN acts a ON a.root = t.root AND a.position <= t.position WHERE t.command = c.command)
FROM log l
WHERE l.position = c.position;

ALTER TABLE corrections
    ALTER COLUMN recorded_at SET NOT NULL,
    ALTER COLUMN acts_at SET NOT NULL;
CREATE INDEX ON corrections USING gist (tstzrange(least(acts_at, recorded_at), recorded_at, '[]'));

-- What stood on a day beside released pieces and boxes, for which there is an index already.
CREATE INDEX ON stock USING gist (stood) WHERE grade = '' OR unreleased;
