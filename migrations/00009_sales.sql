-- A movement says which event it is of, so that a list of sales does not look each one up in the log. On a long book this
-- takes minutes: every movement is written again.

-- +goose Up

ALTER TABLE movements ADD COLUMN event uuid;

UPDATE movements m SET event = l.id FROM log l WHERE l.position = m.position;

ALTER TABLE movements ALTER COLUMN event SET NOT NULL;
