-- What identifies versions of suppliers and buyers. The table is not derived: nothing else has this.
-- $1 id  $2 kind  $3 name  $4 address  $5 contact  $6 noted_at, an array each; what is empty is not known
INSERT INTO people (id, kind, name, address, contact, noted_at)
SELECT id, kind, name, nullif(address, ''), nullif(contact, ''), noted_at
FROM unnest($1::uuid[], $2::text[], $3::text[], $4::text[], $5::text[], $6::timestamptz[])
    AS noted (id, kind, name, address, contact, noted_at)
