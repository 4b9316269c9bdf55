-- What each code went into, itself left out; what a recall tells of the things among it, and of the other runs whose pieces are
-- in its boxes; and where these stand. In no order.
-- A state is opened once, where a record is made of it. That an amount is above 0 and not that a line is open keeps PostgreSQL
-- from going through all that is open.
, told AS (
    SELECT code FROM reached
    UNION
    SELECT (jsonb_path_query(t.state, '$.contents[*].run') #>> '{}') COLLATE "C"
    FROM things t
    WHERE t.code = ANY (ARRAY(SELECT code FROM reached WHERE code LIKE 'B%'))
)
SELECT s.code, s.place, s.grade, s.unreleased, s.subject, s.site, s.amount, s.held, s.date_kind, s.date, s.ends_by,
    s.discard_by, s.piece_mg, s.arrived_at, s.counted_at, s.last_at, NULL AS root, NULL::jsonb AS mix, NULL AS name, NULL::jsonb AS contents
FROM stock s
WHERE s.code = ANY (ARRAY(SELECT code FROM told)) AND s.amount > 0
UNION ALL
SELECT to_code, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, root, NULL, NULL, NULL
FROM (SELECT DISTINCT root, to_code FROM walk WHERE to_code <> root) made
UNION ALL
SELECT t.code, NULL, NULL, NULL, t.subject, t.site, NULL, state.holds IS NOT NULL, coalesce(state.expiry ->> 'kind', ''),
    (state.expiry ->> 'date')::date, NULL, NULL, NULL, NULL, NULL, NULL, NULL, state.mix, coalesce(state.name, ''), state.contents
FROM things t
CROSS JOIN LATERAL jsonb_to_record(t.state) AS state (holds jsonb, expiry jsonb, mix jsonb, name text, contents jsonb)
WHERE t.code = ANY (ARRAY(SELECT code FROM told))
