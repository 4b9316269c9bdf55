-- Deviations opened or decided.
-- $1 id  $2 open  $3 code  $4 position  $5 state, an array each
INSERT INTO deviations (id, open, code, position, state)
SELECT * FROM unnest($1::uuid[], $2::boolean[], $3::text[], $4::bigint[], $5::jsonb[])
ON CONFLICT (id) DO UPDATE SET
    open = excluded.open,
    code = excluded.code,
    state = excluded.state
