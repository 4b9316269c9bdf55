-- Vats changed.
-- $1 slug  $2 state, an array each
INSERT INTO vats (slug, state)
SELECT unnest($1::text[]), unnest($2::jsonb[])
ON CONFLICT (slug) DO UPDATE SET state = excluded.state
