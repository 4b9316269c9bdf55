-- Holds placed or lifted.
-- $1 id  $2 open  $3 position  $4 state, an array each
INSERT INTO holds (id, open, position, state)
SELECT * FROM unnest($1::uuid[], $2::boolean[], $3::bigint[], $4::jsonb[])
ON CONFLICT (id) DO UPDATE SET
    open = excluded.open,
    state = excluded.state
