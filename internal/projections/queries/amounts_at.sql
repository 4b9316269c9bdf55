-- How much there was of some things when some events happened, by the order of the log within an instant.
-- $1 positions  $2 codes  $3 instants, one of each to an event and thing
SELECT asked.position, asked.code, coalesce(sum(m.delta) FILTER (WHERE m.grade <> ''), 0)::bigint AS pieces,
    coalesce(sum(m.delta) FILTER (WHERE m.grade = ''), 0)::bigint AS mass
FROM unnest($1::bigint[], $2::text[], $3::timestamptz[]) AS asked (position, code, occurred_at)
LEFT JOIN movements m ON m.code = asked.code COLLATE "C"
    AND (m.occurred_at < asked.occurred_at OR m.occurred_at = asked.occurred_at AND m.position <= asked.position)
GROUP BY asked.position, asked.code
