-- What a place sold on the days before a day of each design that stands there, and since when it has sold it.
-- $1 place  $2 the day  $3 how many days before it
SELECT d.subject, first.day AS first_day, sold.day, sold.pieces
FROM (SELECT DISTINCT subject FROM stock WHERE open AND place = $1 AND grade <> '') d
CROSS JOIN LATERAL (
    SELECT s.day
    FROM daily_sales s
    WHERE s.place = $1 AND s.subject = d.subject AND s.pieces > 0
    ORDER BY s.day
    LIMIT 1
) first
LEFT JOIN daily_sales sold ON sold.place = $1 AND sold.subject = d.subject
    AND sold.day >= $2::date - $3::int AND sold.day < $2::date
