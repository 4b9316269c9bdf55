-- Readings.
-- $1 position  $2 subject  $3 began_at  $4 ended_at  $5 temperature_c  $6 failed, an array each
INSERT INTO readings (position, subject, began_at, ended_at, temperature_c, failed)
SELECT unnest($1::bigint[]), unnest($2::text[]), unnest($3::timestamptz[]), unnest($4::timestamptz[]),
    unnest($5::double precision[]), unnest($6::boolean[])
