-- Recalls opened, narrowed or closed.
-- $1 id  $2 open  $3 position  $4 state, an array each
INSERT INTO recalls (id, open, position, state)
SELECT unnest($1::uuid[]), unnest($2::boolean[]), unnest($3::bigint[]), unnest($4::jsonb[])
ON CONFLICT (id) DO UPDATE SET
    open = excluded.open,
    state = excluded.state
