-- Deviations opened or decided.
-- $1 id  $2 open  $3 code  $4 position  $5 state, an array each
INSERT INTO deviations (id, open, code, position, state)
SELECT unnest($1::uuid[]), unnest($2::boolean[]), unnest($3::text[]), unnest($4::bigint[]), unnest($5::jsonb[])
ON CONFLICT (id) DO UPDATE SET
    open = excluded.open,
    code = excluded.code,
    state = excluded.state
