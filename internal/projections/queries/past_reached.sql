-- Everything that some things went into from an instant on each until another: where the book as it stands may be made of
-- something else than it was then. The things themselves are in it. Of what a round reached the earliest moment leads on, of
-- anything but a tank every one (see forward.sql).
-- $1 codes  $2 from which instant on, one to each code  $3 until when
WITH RECURSIVE reached (code, since) AS (
    SELECT code COLLATE "C", since
    FROM unnest((SELECT $1::text[]), (SELECT $2::timestamptz[])) AS asked (code, since)
    UNION
    SELECT e.to_code, CASE WHEN e.to_code LIKE 'C%' THEN e.occurred_at ELSE '-infinity' END
    FROM (SELECT DISTINCT ON (code) code, since FROM reached ORDER BY code, since) r
    CROSS JOIN LATERAL (
        SELECT DISTINCT ON (e.to_code) e.to_code, e.occurred_at
        FROM edges e
        WHERE e.from_code = r.code AND e.occurred_at >= r.since AND e.occurred_at <= $3::timestamptz
        ORDER BY e.to_code, e.occurred_at
    ) e
)
SELECT DISTINCT code FROM reached
