-- Where a sale of some runs was presumed: every run of that design that stood released at that place since the first of
-- those sales, from when to when. What is gone from there by now is looked for by its date: a month past it, or undated,
-- it may still have been sold.
-- $1 codes
WITH presumed AS (
    SELECT place, subject, min(occurred_at) AS since, max(occurred_at) AS until
    FROM movements
    WHERE code = ANY ($1::text[]) AND cause = 'sold' AND how = 'presumed'
    GROUP BY place, subject
),
lines AS (
    SELECT p.place, p.subject, p.since, p.until, s.code, s.open
    FROM presumed p
    JOIN stock s ON s.place = p.place AND s.subject = p.subject AND s.open AND NOT s.unreleased AND s.grade = 'first'
    UNION ALL
    SELECT p.place, p.subject, p.since, p.until, s.code, s.open
    FROM presumed p
    JOIN stock s ON s.place = p.place AND s.subject = p.subject AND NOT s.open AND NOT s.unreleased AND s.grade = 'first'
        AND s.ends_by >= p.since - interval '31 days' AND s.last_at >= p.since
    UNION ALL
    SELECT p.place, p.subject, p.since, p.until, s.code, s.open
    FROM presumed p
    JOIN stock s ON s.place = p.place AND s.subject = p.subject AND NOT s.open AND NOT s.unreleased AND s.grade = 'first'
        AND s.ends_by IS NULL AND s.last_at >= p.since
)
SELECT l.place, l.subject, l.code, m.came AS from_at, CASE WHEN l.open THEN NULL ELSE m.went END AS until_at
FROM lines l
CROSS JOIN LATERAL (
    SELECT min(occurred_at) FILTER (WHERE delta > 0) AS came, max(occurred_at) AS went
    FROM movements m
    WHERE m.code = l.code AND m.place = l.place AND m.grade = 'first' AND NOT m.unreleased
) m
WHERE m.came <= l.until AND (l.open OR m.went >= l.since)
ORDER BY l.place, l.subject, l.code
