-- The things to load: those asked for by code, what is in the vats, what the holds took in, what the deviations
-- are of. With each come the whole that a part is of, the parts of a whole, and the lots that it is mixed of, so that
-- a draw, a release or a hold finds at once what it looks at.
-- Codes are handed on in arrays: PostgreSQL takes a set that comes out of JSON for a thousand rows, and would then
-- rather read a whole table than look a few codes up.
-- $1 codes  $2 slugs of vats  $3 ids of holds  $4 ids of deviations
WITH asked AS (
    SELECT unnest($1::text[]) COLLATE "C" AS code
    UNION
    SELECT (state ->> 'charge') COLLATE "C" FROM vats WHERE slug = ANY ($2::text[])
    UNION
    SELECT (jsonb_path_query(state, '$.codes[*]') #>> '{}') COLLATE "C" FROM holds WHERE id = ANY ($3::uuid[])
    UNION
    SELECT code FROM deviations WHERE id = ANY ($4::uuid[])
),
known AS (
    SELECT kind, day, sequence, part, state -> 'mix' AS mix
    FROM things
    WHERE code = ANY (ARRAY(SELECT code FROM asked))
),
wanted AS (
    SELECT code FROM asked
    UNION
    SELECT kin.code
    FROM known k
    JOIN things kin ON kin.kind = k.kind AND kin.day = k.day AND kin.sequence = k.sequence AND (kin.part = 0 OR k.part = 0)
    UNION
    SELECT (jsonb_path_query(mix, '$[*].lot') #>> '{}') COLLATE "C" FROM known
)
