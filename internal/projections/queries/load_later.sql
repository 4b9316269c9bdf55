-- The movements of things that are dated after an instant each.
-- $1 codes  $2 instants, one to each code
SELECT m.position, m.number, m.occurred_at, m.code, m.place, m.grade, m.unreleased, m.delta, m.cause, m.other
FROM unnest($1::text[], $2::timestamptz[]) AS asked (code, at)
JOIN movements m ON m.code = asked.code AND m.occurred_at > asked.at
