-- The runs that a loose piece may have come from: how long pieces of each stood released where it was sold, and what the
-- book sold of them there. weight is pieces × microseconds over the span; of one instant, the pieces that stood there,
-- those sold at that instant among them.
-- $1 design  $2 from  $3 to  $4 places
WITH lines AS (
    SELECT s.code, s.place, s.grade, s.date_kind, s.date, s.held
    FROM stock s
    WHERE s.stood && daterange(($2::timestamptz AT TIME ZONE 'UTC')::date, ($3::timestamptz AT TIME ZONE 'UTC')::date, '[]')
        AND s.grade <> '' AND NOT s.unreleased
        AND s.subject = $1 AND s.place = ANY ($4::text[]) AND s.code LIKE 'R%'
)
SELECT t.code, coalesce(CASE WHEN t.part > 0 THEN t.state ->> 'of' END, '') AS of, l.place, l.grade, l.date_kind, l.date, l.held,
    greatest(0, CASE
        WHEN $2::timestamptz < $3::timestamptz THEN sum(m.delta * (extract(epoch FROM $3::timestamptz - greatest(m.occurred_at, $2)) * 1000000)::bigint)
        ELSE sum(m.delta) FILTER (WHERE m.occurred_at < $2 OR m.delta > 0)
    END, 0)::bigint AS weight,
    coalesce(-sum(m.delta) FILTER (WHERE m.cause = 'sold' AND m.occurred_at >= $2), 0)::bigint AS sold,
    coalesce(-sum(m.delta) FILTER (WHERE m.cause = 'sold' AND m.how = 'presumed' AND m.occurred_at >= $2), 0)::bigint AS presumed
FROM lines l
JOIN things t ON t.code = l.code
JOIN movements m ON m.code = l.code AND m.place = l.place AND m.grade = l.grade AND NOT m.unreleased AND m.occurred_at <= $3
GROUP BY t.code, l.place, l.grade, l.date_kind, l.date, l.held
ORDER BY t.day, t.sequence, t.part, t.code, l.place, l.grade
