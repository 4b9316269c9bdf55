-- What each code went into, itself left out; the things among it, with the other runs whose pieces are in its boxes; and
-- every line of stock of these. In no order.
, told AS (
    SELECT code FROM reached
    UNION
    SELECT (jsonb_path_query(t.state, '$.contents[*].run') #>> '{}') COLLATE "C"
    FROM things t
    WHERE t.code = ANY (ARRAY(SELECT code FROM reached WHERE code LIKE 'B%'))
)
SELECT s.code, s.place, s.grade, s.unreleased, s.subject, s.site, s.amount, s.held, s.date_kind, s.date, s.ends_by,
    s.discard_by, s.piece_mg, s.arrived_at, s.counted_at, s.last_at, NULL AS root, NULL::jsonb AS state
FROM stock s
WHERE s.code = ANY (ARRAY(SELECT code FROM told))
UNION ALL
SELECT to_code, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, root, NULL
FROM (SELECT DISTINCT root, to_code FROM walk WHERE to_code <> root) made
UNION ALL
SELECT t.code, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, t.state
FROM things t
WHERE t.code = ANY (ARRAY(SELECT code FROM told))
