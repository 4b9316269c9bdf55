-- The open holds that took each of some things in.
-- $1 codes
SELECT t.code, hold::uuid
FROM things t, jsonb_array_elements_text(t.state -> 'holds') AS held (hold)
WHERE t.code = ANY ($1::text[])
