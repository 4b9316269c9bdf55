-- Movements.
-- $1 position  $2 number  $3 occurred_at  $4 day  $5 code  $6 place  $7 grade  $8 unreleased  $9 subject  $10 delta
-- $11 weight_mg  $12 cause  $13 reason  $14 destination  $15 other  $16 channel  $17 buyer  $18 reference  $19 how,
-- an array each
INSERT INTO movements (position, number, occurred_at, day, code, place, grade, unreleased, subject, delta, weight_mg,
    cause, reason, destination, other, channel, buyer, reference, how)
SELECT * FROM unnest($1::bigint[], $2::int[], $3::timestamptz[], $4::date[], $5::text[], $6::text[], $7::text[],
    $8::boolean[], $9::text[], $10::bigint[], $11::bigint[], $12::text[], $13::text[], $14::text[], $15::text[],
    $16::text[], $17::text[], $18::text[], $19::text[])
