-- What a place sold on the days before a day of each design that stands there, and since when it has sold it. OFFSET keeps it to a
-- look into the index for each design: across the designs of a place it would go through every day that there ever was.
-- $1 place  $2 the day  $3 how many days before it
WITH stands AS MATERIALIZED (
    SELECT d.subject, first.day
    FROM (SELECT DISTINCT subject FROM stock WHERE open AND place = $1 AND grade <> '') d
    CROSS JOIN LATERAL (
        SELECT s.day
        FROM daily_sales s
        WHERE s.place = $1 AND s.subject = d.subject AND s.pieces > 0
        ORDER BY s.day
        LIMIT 1
    ) first
)
SELECT s.subject, s.day AS first_day, sold.day, sold.pieces
FROM stands s
LEFT JOIN LATERAL (
    SELECT sold.day, sold.pieces
    FROM daily_sales sold
    WHERE sold.place = $1 AND sold.subject = s.subject AND sold.day >= $2::date - $3::int AND sold.day < $2::date
    OFFSET 0
) sold ON true
