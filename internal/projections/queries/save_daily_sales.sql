-- Pieces sold, added to what the day already has.
-- $1 place  $2 subject  $3 day  $4 pieces, an array each
INSERT INTO daily_sales (place, subject, day, pieces)
SELECT unnest($1::text[]), unnest($2::text[]), unnest($3::date[]), unnest($4::bigint[])
ON CONFLICT (place, subject, day) DO UPDATE SET pieces = daily_sales.pieces + excluded.pieces
