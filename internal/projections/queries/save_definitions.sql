-- New versions of definitions.
-- $1 kind  $2 slug  $3 version  $4 position  $5 recorded_at  $6 body, an array each
INSERT INTO definitions (kind, slug, version, position, recorded_at, body)
SELECT unnest($1::text[]), unnest($2::text[]), unnest($3::int[]), unnest($4::bigint[]), unnest($5::timestamptz[]),
    unnest($6::jsonb[])
