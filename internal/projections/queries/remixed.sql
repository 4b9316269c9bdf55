-- What the codes went into, the lots that all of it is mixed of, and the fillings in it.
, reached AS (
    SELECT DISTINCT code FROM walk
),
remixed AS (
    SELECT code FROM reached
    UNION
    SELECT (jsonb_path_query(t.state, '$.mix[*].lot') #>> '{}') COLLATE "C"
    FROM things t
    WHERE t.code = ANY (ARRAY(SELECT code FROM reached))
    UNION
    SELECT (jsonb_path_query(t.state, '$.ganaches[*]') #>> '{}') COLLATE "C"
    FROM things t
    WHERE t.code = ANY (ARRAY(SELECT code FROM reached))
)
