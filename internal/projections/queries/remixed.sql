-- What the codes went into, the lots that all of it is mixed of, the fillings in it, and the other runs whose pieces are
-- in the boxes among it.
, remixed AS (
    SELECT code FROM reached
    UNION
    SELECT (jsonb_path_query(t.state, '$.mix[*].lot') #>> '{}') COLLATE "C"
    FROM things t
    WHERE t.code = ANY (ARRAY(SELECT code FROM reached))
    UNION
    SELECT (jsonb_path_query(t.state, '$.ganaches[*]') #>> '{}') COLLATE "C"
    FROM things t
    WHERE t.code = ANY (ARRAY(SELECT code FROM reached))
    UNION
    SELECT (jsonb_path_query(t.state, '$.contents[*].run') #>> '{}') COLLATE "C"
    FROM things t
    WHERE t.code = ANY (ARRAY(SELECT code FROM reached)) AND t.kind = 'box'
)
