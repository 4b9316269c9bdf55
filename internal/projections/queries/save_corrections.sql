-- Corrections.
-- $1 command  $2 corrected  $3 position  $4 event  $5 voids  $6 recorded_at  $7 acts_at, an array each
INSERT INTO corrections (command, corrected, position, event, voids, recorded_at, acts_at)
SELECT unnest($1::uuid[]), unnest($2::uuid[]), unnest($3::bigint[]), unnest($4::uuid[]), unnest($5::boolean[]),
    unnest($6::timestamptz[]), unnest($7::timestamptz[])
