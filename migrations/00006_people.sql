-- What identifies people stands in one small table outside the log, from which it can be erased. The log and the keys call
-- them by opaque ids.

-- +goose Up

-- A version of a supplier or buyer, or the holder of keys. One who was erased keeps the row and nothing in it.
CREATE TABLE people (
    id        uuid        PRIMARY KEY,
    kind      text        COLLATE "C" NOT NULL CHECK (kind IN ('supplier', 'buyer', 'key_holder')),
    name      text        COLLATE "C" CHECK (name <> ''),
    address   text,
    contact   text,
    noted_at  timestamptz NOT NULL,
    erased_at timestamptz,
    CONSTRAINT erased_whole CHECK (CASE WHEN erased_at IS NULL THEN name IS NOT NULL
                                        ELSE name IS NULL AND address IS NULL AND contact IS NULL END)
) WITH (
    -- What was erased lies in the table's file until a vacuum: the next one comes for a single row.
    autovacuum_vacuum_threshold = 0, autovacuum_vacuum_scale_factor = 0
);

CREATE UNIQUE INDEX people_key_holder ON people (name) WHERE kind = 'key_holder';

-- Nothing changes but that somebody is erased.
CREATE TRIGGER erased_only BEFORE UPDATE ON people
    FOR EACH ROW
    WHEN (old.erased_at IS NOT NULL OR new.erased_at IS NULL
          OR (new.id, new.kind, new.noted_at) IS DISTINCT FROM (old.id, old.kind, old.noted_at))
    EXECUTE FUNCTION refuse_change();
CREATE TRIGGER stays BEFORE DELETE OR TRUNCATE ON people
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
ALTER TABLE people ENABLE ALWAYS TRIGGER erased_only;
ALTER TABLE people ENABLE ALWAYS TRIGGER stays;

-- A key belongs to its holder, who has one key in force at a time.
INSERT INTO people (id, kind, name, noted_at)
SELECT gen_random_uuid(), 'key_holder', name, min(created_at) FROM api_keys GROUP BY name;
ALTER TABLE api_keys ADD COLUMN holder uuid REFERENCES people;
UPDATE api_keys SET holder = people.id FROM people WHERE people.name = api_keys.name;
ALTER TABLE api_keys ALTER COLUMN holder SET NOT NULL;
ALTER TABLE api_keys DROP COLUMN name; -- and with it the index of live names
CREATE UNIQUE INDEX api_keys_live_holder ON api_keys (holder) WHERE revoked_at IS NULL;

-- Suppliers and buyers that stand in the log with their names are shown as unknown from here on.
UPDATE definitions SET body = body - 'name' - 'address' - 'contact' WHERE kind IN ('supplier', 'buyer');

GRANT SELECT, INSERT, UPDATE (name, address, contact, erased_at) ON people TO firstout_app;
