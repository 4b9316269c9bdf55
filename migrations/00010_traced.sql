-- What a trace tells of a thing stands in the index of its code: a trace opens no state, which is most of a row, and reads no
-- row of what has not changed of late. A portion says who delivered it.

-- +goose Up

UPDATE things
SET supplier = coalesce(state ->> 'supplier', ''), supplier_lot = coalesce(state ->> 'supplier_lot', '')
WHERE kind = 'lot' AND part > 0;

DROP INDEX things_supplier_supplier_lot_idx, things_supplier_occurred_at_idx;
CREATE INDEX ON things (supplier, supplier_lot) WHERE supplier <> '' AND part = 0;
CREATE INDEX ON things (supplier, occurred_at) WHERE supplier <> '' AND part = 0;

ALTER TABLE things
    DROP CONSTRAINT things_pkey,
    ADD PRIMARY KEY (code) INCLUDE (subject, occurred_at, position, supplier, supplier_lot);
