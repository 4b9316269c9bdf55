-- What did not happen to what is in charges.
-- $1 positions  $2 numbers
DELETE FROM charge_ops
WHERE (position, number) IN (SELECT unnest($1::bigint[]), unnest($2::int[]))
