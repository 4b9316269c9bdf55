-- Corrections.
-- $1 command  $2 corrected  $3 position  $4 event  $5 voids, an array each
INSERT INTO corrections (command, corrected, position, event, voids)
SELECT unnest($1::uuid[]), unnest($2::uuid[]), unnest($3::bigint[]), unnest($4::uuid[]), unnest($5::boolean[])
