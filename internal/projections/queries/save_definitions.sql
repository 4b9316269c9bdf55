-- New versions of definitions.
-- $1 kind  $2 slug  $3 version  $4 position  $5 recorded_at  $6 body, an array each
INSERT INTO definitions (kind, slug, version, position, recorded_at, body)
SELECT * FROM unnest($1::text[], $2::text[], $3::int[], $4::bigint[], $5::timestamptz[], $6::jsonb[])
