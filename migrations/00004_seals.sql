-- What makes tampering with the log evident: the hashes of a Merkle tree over the events, and signed checkpoints of it.
-- Whoever owns the database can change these too; a checkpoint that has left it is what gives them teeth.

-- +goose Up

-- Hashes of the tree by their stored index (golang.org/x/mod/sumdb/tlog): dense from 0, a leaf and what it completes.
CREATE TABLE seal_hashes (
    idx  bigint PRIMARY KEY CHECK (idx >= 0),
    hash bytea  NOT NULL CHECK (octet_length(hash) = 32)
);

CREATE TABLE checkpoints (
    size      bigint      PRIMARY KEY CHECK (size > 0), -- events that it vouches for: the position of the newest of them
    root      bytea       NOT NULL CHECK (octet_length(root) = 32),
    note      text        NOT NULL, -- as it was signed
    signed_at timestamptz NOT NULL DEFAULT clock_timestamp()
);

CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON seal_hashes
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON checkpoints
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

ALTER TABLE seal_hashes ENABLE ALWAYS TRIGGER append_only;
ALTER TABLE checkpoints ENABLE ALWAYS TRIGGER append_only;

GRANT SELECT, INSERT ON seal_hashes, checkpoints TO firstout_app;
