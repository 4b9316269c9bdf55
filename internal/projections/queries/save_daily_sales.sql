-- Pieces sold, added to what the day already has.
-- $1 place  $2 subject  $3 day  $4 pieces, an array each
INSERT INTO daily_sales (place, subject, day, pieces)
SELECT * FROM unnest($1::text[], $2::text[], $3::date[], $4::bigint[])
ON CONFLICT (place, subject, day) DO UPDATE SET pieces = daily_sales.pieces + excluded.pieces
