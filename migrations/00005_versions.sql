-- Events of a later shape than their type's first, for whoever asks at its start whether the log has any that it does not
-- know. While every type has one shape the index is empty and costs nothing.

-- +goose Up

CREATE INDEX log_later_versions ON log (type, version, position) WHERE version > 1;
