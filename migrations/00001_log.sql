-- The log and what is written with it in one transaction. Everything else in the database is derived from it.
--
-- Two roles: the one that runs this owns the tables; firstout_app, whose rights the API has, may add to the log and read
-- it. Whoever holds the owner's rights is stopped by the triggers only.

-- +goose Up

-- +goose StatementBegin
DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'firstout_app') THEN
        CREATE ROLE firstout_app NOLOGIN;
    END IF;
EXCEPTION
    WHEN duplicate_object OR unique_violation THEN
        NULL; -- a migration of another database of this cluster made it just now
    WHEN insufficient_privilege THEN
        RAISE EXCEPTION 'the role firstout_app is missing and % may not create roles', current_user
            USING ERRCODE = 'insufficient_privilege',
                  HINT = 'Run CREATE ROLE firstout_app NOLOGIN as an administrator of this server, then migrate again.';
END
$$;
-- +goose StatementEnd

-- The one row that every writer locks first. Its position is the last one given: dense, and in the order of commits.
-- It is counted up in place and therefore the one table of the log that takes updates.
CREATE TABLE head (
    id             boolean     PRIMARY KEY DEFAULT true CHECK (id),
    position       bigint      NOT NULL DEFAULT 0 CHECK (position >= 0),
    recorded_at    timestamptz NOT NULL DEFAULT 'epoch', -- of the newest event
    definitions_at bigint      NOT NULL DEFAULT 0 CHECK (definitions_at BETWEEN 0 AND position), -- of the newest definition
    projection     integer     NOT NULL DEFAULT 1, -- counted up when a rebuild swaps the derived tables
    epoch          text        NOT NULL DEFAULT gen_random_uuid()::text, -- tells this book's positions from another's
    book           text        CHECK (book IN ('real', 'demo', 'test')), -- what the first start said it is, for ever
    manual_now     timestamptz, -- where the manual clock stands
    CONSTRAINT manual_clock_in_a_real_book CHECK (manual_now IS NULL OR coalesce(book <> 'real', false))
);

INSERT INTO head DEFAULT VALUES;

CREATE TABLE log (
    position    bigint      PRIMARY KEY CHECK (position > 0),
    id          uuid        NOT NULL UNIQUE, -- UUIDv7
    type        text        COLLATE "C" NOT NULL,
    version     integer     NOT NULL CHECK (version > 0), -- of the type's shape
    occurred_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL,
    actor       text        NOT NULL,
    site        text        NOT NULL, -- empty: no one site
    key         text        NOT NULL, -- idempotency key of the command; empty: a definition
    command     uuid        NOT NULL, -- id of the command's first event
    canonical   text        NOT NULL  -- the whole event, RFC 8785; the columns beside it are decoded from it
);

CREATE INDEX log_type ON log (type, position);
CREATE INDEX log_recorded_at ON log USING brin (recorded_at);

-- Which events concern a code.
CREATE TABLE event_codes (
    code     text   COLLATE "C" NOT NULL,
    position bigint NOT NULL,
    PRIMARY KEY (code, position)
);

-- The first answer to every idempotency key, kept for ever.
CREATE TABLE commands (
    key            text        COLLATE "C" PRIMARY KEY,
    request_hash   bytea       NOT NULL CHECK (octet_length(request_hash) = 32),
    status         integer     NOT NULL,
    answer         text        NOT NULL,
    first_position bigint, -- of its events; null: it needed none
    command        uuid,   -- id of its first event
    recorded_at    timestamptz NOT NULL,
    CHECK ((first_position IS NULL) = (command IS NULL))
);

CREATE TABLE api_keys (
    id         uuid        PRIMARY KEY, -- the actor in events: says nothing about the person
    name       text        COLLATE "C" NOT NULL CHECK (name <> ''),
    hash       bytea       NOT NULL UNIQUE CHECK (octet_length(hash) = 32), -- SHA-256; the key itself is not kept
    roles      text[]      NOT NULL CHECK (cardinality(roles) > 0),
    site       text        NOT NULL, -- empty: every site
    created_at timestamptz NOT NULL,
    expires_at timestamptz,
    revoked_at timestamptz
);

CREATE UNIQUE INDEX api_keys_live_name ON api_keys (name) WHERE revoked_at IS NULL;

-- Append only. The triggers fire for every role, the owner and a session in replica mode included, and for statements that
-- would touch no row.
-- +goose StatementBegin
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% refuses this %: it only grows', TG_TABLE_NAME, TG_OP
        USING ERRCODE = 'insufficient_privilege',
              HINT = 'What is written stays. Put a mistake right with a correction.';
END
$$;
-- +goose StatementEnd

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON log
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON event_codes
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON commands
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
CREATE TRIGGER stays BEFORE DELETE OR TRUNCATE ON head
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
-- The head only goes forward, and what kind of book it is, once said, stays.
CREATE TRIGGER forward_only BEFORE UPDATE ON head
    FOR EACH ROW
    WHEN (new.position < old.position OR new.recorded_at < old.recorded_at OR new.definitions_at < old.definitions_at
          OR new.manual_now < old.manual_now OR (old.book IS NOT NULL AND new.book IS DISTINCT FROM old.book))
    EXECUTE FUNCTION refuse_change();

ALTER TABLE log ENABLE ALWAYS TRIGGER append_only;
ALTER TABLE event_codes ENABLE ALWAYS TRIGGER append_only;
ALTER TABLE commands ENABLE ALWAYS TRIGGER append_only;
ALTER TABLE head ENABLE ALWAYS TRIGGER stays;
ALTER TABLE head ENABLE ALWAYS TRIGGER forward_only;

-- PostgreSQL before 15 lets everyone create in this schema.
REVOKE CREATE ON SCHEMA public FROM PUBLIC;
GRANT USAGE ON SCHEMA public TO firstout_app;
GRANT SELECT, INSERT ON log, event_codes, commands TO firstout_app;
GRANT SELECT, UPDATE (position, recorded_at, definitions_at, book, manual_now) ON head TO firstout_app;
GRANT SELECT, INSERT, UPDATE (revoked_at) ON api_keys TO firstout_app;
