-- Where some runs stood released: every run of their design that stood at that place while any of them can have, from when
-- to when. What is gone by now is found by the days on which it can have stood: this grows with the days that the runs were
-- there for and not with the age of the book.
-- CASE hides from the planner how few movements are the first: it would read all of a run's and sort them, and not stop at it.
-- $1 codes
WITH there AS MATERIALIZED (
    SELECT place, subject, min(lower(stood)) AS first_day, max(coalesce(upper(stood), 'infinity')) AS day_after,
        min(lower(stood))::timestamp AT TIME ZONE 'UTC' AS since, max(CASE WHEN open THEN 'infinity' ELSE last_at END) AS until
    FROM stock
    WHERE code = ANY ($1::text[]) AND grade = 'first' AND NOT unreleased
    GROUP BY place, subject
),
days AS MATERIALIZED (
    SELECT CASE WHEN count(*) = 0 THEN 'empty' ELSE daterange(min(first_day), max(day_after)) END AS days FROM there
)
SELECT s.place, s.subject, s.code, m.came AS from_at, CASE WHEN s.open THEN NULL ELSE s.last_at END AS until_at
FROM stock s
JOIN there t ON t.place = s.place AND t.subject = s.subject AND s.last_at >= t.since
CROSS JOIN LATERAL (
    SELECT m.occurred_at AS came
    FROM movements m
    WHERE m.code = s.code AND CASE WHEN m.place = s.place AND m.grade = 'first' AND NOT m.unreleased THEN m.delta > 0 ELSE false END
    ORDER BY m.occurred_at
    LIMIT 1
) m
WHERE s.stood && (SELECT days FROM days) AND lower(s.stood) <= (t.until AT TIME ZONE 'UTC')::date AND s.grade <> '' AND s.grade = 'first' AND NOT s.unreleased AND m.came <= t.until
ORDER BY s.place, s.subject, s.code
