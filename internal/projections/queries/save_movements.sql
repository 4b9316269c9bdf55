-- Movements.
-- $1 position  $2 number  $3 occurred_at  $4 day  $5 code  $6 place  $7 grade  $8 unreleased  $9 subject  $10 delta
-- $11 weight_mg  $12 cause  $13 reason  $14 destination  $15 other  $16 channel  $17 buyer  $18 reference  $19 how
-- $20 event, an array each
INSERT INTO movements (position, number, occurred_at, day, code, place, grade, unreleased, subject, delta, weight_mg,
    cause, reason, destination, other, channel, buyer, reference, how, event)
SELECT unnest($1::bigint[]), unnest($2::int[]), unnest($3::timestamptz[]), unnest($4::date[]), unnest($5::text[]),
    unnest($6::text[]), unnest($7::text[]), unnest($8::boolean[]), unnest($9::text[]), unnest($10::bigint[]),
    unnest($11::bigint[]), unnest($12::text[]), unnest($13::text[]), unnest($14::text[]), unnest($15::text[]),
    unnest($16::text[]), unnest($17::text[]), unnest($18::text[]), unnest($19::text[]), unnest($20::uuid[])
