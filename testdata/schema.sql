-- What the migrations lead to. Written by a test (internal/projections, -run Schema -update); not to be edited.

CREATE OR REPLACE FUNCTION public.refuse_change()
 RETURNS trigger
 LANGUAGE plpgsql
AS $function$
BEGIN
    RAISE EXCEPTION '% refuses this %: it only grows', TG_TABLE_NAME, TG_OP
        USING ERRCODE = 'insufficient_privilege',
              HINT = 'What is written stays. Put a mistake right with a correction.';
END
$function$;

CREATE TABLE api_keys (
    id uuid NOT NULL,
    hash bytea NOT NULL,
    roles text[] NOT NULL,
    site text NOT NULL,
    created_at timestamp with time zone NOT NULL,
    expires_at timestamp with time zone,
    revoked_at timestamp with time zone,
    holder uuid NOT NULL,
    CONSTRAINT api_keys_hash_check CHECK ((octet_length(hash) = 32)),
    CONSTRAINT api_keys_hash_key UNIQUE (hash),
    CONSTRAINT api_keys_holder_fkey FOREIGN KEY (holder) REFERENCES people(id),
    CONSTRAINT api_keys_pkey PRIMARY KEY (id),
    CONSTRAINT api_keys_roles_check CHECK ((cardinality(roles) > 0))
);
CREATE UNIQUE INDEX api_keys_live_holder ON api_keys USING btree (holder) WHERE (revoked_at IS NULL);
GRANT INSERT, SELECT ON api_keys TO firstout_app;
GRANT UPDATE (revoked_at) ON api_keys TO firstout_app;

CREATE TABLE charge_ops (
    position bigint NOT NULL,
    number integer NOT NULL,
    charge text COLLATE "C" NOT NULL,
    occurred_at timestamp with time zone NOT NULL,
    kind text COLLATE "C" NOT NULL,
    mass_mg bigint NOT NULL,
    other text COLLATE "C" NOT NULL,
    use text COLLATE "C" NOT NULL,
    mix jsonb NOT NULL,
    CONSTRAINT charge_ops_pkey PRIMARY KEY ("position", number)
);
CREATE INDEX charge_ops_charge_idx ON charge_ops USING btree (charge);
GRANT DELETE, INSERT, SELECT, UPDATE ON charge_ops TO firstout_app;

CREATE TABLE checkpoints (
    size bigint NOT NULL,
    root bytea NOT NULL,
    note text NOT NULL,
    signed_at timestamp with time zone NOT NULL DEFAULT clock_timestamp(),
    CONSTRAINT checkpoints_pkey PRIMARY KEY (size),
    CONSTRAINT checkpoints_root_check CHECK ((octet_length(root) = 32)),
    CONSTRAINT checkpoints_size_check CHECK ((size > 0))
);
CREATE TRIGGER append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON checkpoints FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
ALTER TABLE checkpoints ENABLE ALWAYS TRIGGER append_only;
GRANT INSERT, SELECT ON checkpoints TO firstout_app;

CREATE TABLE commands (
    key text COLLATE "C" NOT NULL,
    request_hash bytea NOT NULL,
    status integer NOT NULL,
    answer text NOT NULL,
    first_position bigint,
    command uuid,
    recorded_at timestamp with time zone NOT NULL,
    CONSTRAINT commands_check CHECK (((first_position IS NULL) = (command IS NULL))),
    CONSTRAINT commands_pkey PRIMARY KEY (key),
    CONSTRAINT commands_request_hash_check CHECK ((octet_length(request_hash) = 32))
);
CREATE TRIGGER append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON commands FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
ALTER TABLE commands ENABLE ALWAYS TRIGGER append_only;
GRANT INSERT, SELECT ON commands TO firstout_app;

CREATE TABLE corrections (
    command uuid NOT NULL,
    corrected uuid NOT NULL,
    position bigint NOT NULL,
    event uuid NOT NULL,
    voids boolean NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    acts_at timestamp with time zone NOT NULL,
    CONSTRAINT corrections_pkey PRIMARY KEY (command)
);
CREATE INDEX corrections_corrected_idx ON corrections USING btree (corrected);
CREATE INDEX corrections_tstzrange_idx ON corrections USING gist (tstzrange(LEAST(acts_at, recorded_at), recorded_at, '[]'::text));
GRANT DELETE, INSERT, SELECT, UPDATE ON corrections TO firstout_app;

CREATE TABLE daily_sales (
    place text COLLATE "C" NOT NULL,
    subject text COLLATE "C" NOT NULL,
    day date NOT NULL,
    pieces bigint NOT NULL,
    CONSTRAINT daily_sales_pkey PRIMARY KEY (place, subject, day)
) WITH (fillfactor=50);
GRANT DELETE, INSERT, SELECT, UPDATE ON daily_sales TO firstout_app;

CREATE TABLE definitions (
    kind text COLLATE "C" NOT NULL,
    slug text COLLATE "C" NOT NULL,
    version integer NOT NULL,
    position bigint NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    body jsonb NOT NULL,
    CONSTRAINT definitions_pkey PRIMARY KEY (kind, slug, version)
);
GRANT DELETE, INSERT, SELECT, UPDATE ON definitions TO firstout_app;

CREATE TABLE deviations (
    id uuid NOT NULL,
    open boolean NOT NULL,
    code text COLLATE "C" NOT NULL,
    position bigint NOT NULL,
    state jsonb NOT NULL,
    CONSTRAINT deviations_pkey PRIMARY KEY (id)
);
CREATE INDEX deviations_code_idx ON deviations USING btree (code);
CREATE INDEX deviations_position_idx ON deviations USING btree ("position");
CREATE INDEX deviations_position_idx1 ON deviations USING btree ("position") WHERE open;
GRANT DELETE, INSERT, SELECT, UPDATE ON deviations TO firstout_app;

CREATE TABLE edges (
    position bigint NOT NULL,
    number integer NOT NULL,
    from_code text COLLATE "C" NOT NULL,
    to_code text COLLATE "C" NOT NULL,
    occurred_at timestamp with time zone NOT NULL,
    mass_mg bigint NOT NULL,
    ingredient text COLLATE "C" NOT NULL,
    CONSTRAINT edges_pkey PRIMARY KEY ("position", number)
);
CREATE INDEX edges_from_code_occurred_at_position_number_idx ON edges USING btree (from_code, occurred_at, "position", number);
CREATE INDEX edges_to_code_occurred_at_position_number_idx ON edges USING btree (to_code, occurred_at, "position", number);
GRANT DELETE, INSERT, SELECT, UPDATE ON edges TO firstout_app;

CREATE TABLE event_codes (
    code text COLLATE "C" NOT NULL,
    position bigint NOT NULL,
    CONSTRAINT event_codes_pkey PRIMARY KEY (code, "position")
);
CREATE TRIGGER append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON event_codes FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
ALTER TABLE event_codes ENABLE ALWAYS TRIGGER append_only;
GRANT INSERT, SELECT ON event_codes TO firstout_app;

CREATE TABLE head (
    id boolean NOT NULL DEFAULT true,
    position bigint NOT NULL DEFAULT 0,
    recorded_at timestamp with time zone NOT NULL DEFAULT '1970-01-01 00:00:00+00'::timestamp with time zone,
    definitions_at bigint NOT NULL DEFAULT 0,
    projection integer NOT NULL DEFAULT 1,
    epoch text NOT NULL DEFAULT (gen_random_uuid())::text,
    book text,
    manual_now timestamp with time zone,
    CONSTRAINT head_book_check CHECK ((book = ANY (ARRAY['real'::text, 'demo'::text, 'test'::text]))),
    CONSTRAINT head_check CHECK (((definitions_at >= 0) AND (definitions_at <= "position"))),
    CONSTRAINT head_id_check CHECK (id),
    CONSTRAINT head_pkey PRIMARY KEY (id),
    CONSTRAINT head_position_check CHECK (("position" >= 0)),
    CONSTRAINT manual_clock_in_a_real_book CHECK (((manual_now IS NULL) OR COALESCE((book <> 'real'::text), false)))
);
CREATE TRIGGER forward_only BEFORE UPDATE ON head FOR EACH ROW WHEN (((new."position" < old."position") OR (new.recorded_at < old.recorded_at) OR (new.definitions_at < old.definitions_at) OR (new.manual_now < old.manual_now) OR ((old.book IS NOT NULL) AND (new.book IS DISTINCT FROM old.book)))) EXECUTE FUNCTION refuse_change();
ALTER TABLE head ENABLE ALWAYS TRIGGER forward_only;
CREATE TRIGGER stays BEFORE DELETE OR TRUNCATE ON head FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
ALTER TABLE head ENABLE ALWAYS TRIGGER stays;
GRANT SELECT ON head TO firstout_app;
GRANT UPDATE (book) ON head TO firstout_app;
GRANT UPDATE (definitions_at) ON head TO firstout_app;
GRANT UPDATE (manual_now) ON head TO firstout_app;
GRANT UPDATE (position) ON head TO firstout_app;
GRANT UPDATE (recorded_at) ON head TO firstout_app;

CREATE TABLE holds (
    id uuid NOT NULL,
    open boolean NOT NULL,
    position bigint NOT NULL,
    state jsonb NOT NULL,
    CONSTRAINT holds_pkey PRIMARY KEY (id)
);
CREATE INDEX holds_position_idx ON holds USING btree ("position");
CREATE INDEX holds_position_idx1 ON holds USING btree ("position") WHERE open;
GRANT DELETE, INSERT, SELECT, UPDATE ON holds TO firstout_app;

CREATE TABLE log (
    position bigint NOT NULL,
    id uuid NOT NULL,
    type text COLLATE "C" NOT NULL,
    version integer NOT NULL,
    occurred_at timestamp with time zone NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    actor text NOT NULL,
    site text NOT NULL,
    key text NOT NULL,
    command uuid NOT NULL,
    canonical text NOT NULL,
    CONSTRAINT log_id_key UNIQUE (id),
    CONSTRAINT log_pkey PRIMARY KEY ("position"),
    CONSTRAINT log_position_check CHECK (("position" > 0)),
    CONSTRAINT log_version_check CHECK ((version > 0))
);
CREATE INDEX log_late ON log USING gist (tstzrange(occurred_at, recorded_at, '[]'::text)) WHERE ((recorded_at - occurred_at) > '00:01:00'::interval);
CREATE INDEX log_later_versions ON log USING btree (type, version, "position") WHERE (version > 1);
CREATE INDEX log_recorded_at ON log USING brin (recorded_at);
CREATE INDEX log_type ON log USING btree (type, "position");
CREATE TRIGGER append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON log FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
ALTER TABLE log ENABLE ALWAYS TRIGGER append_only;
GRANT INSERT, SELECT ON log TO firstout_app;

CREATE TABLE movements (
    position bigint NOT NULL,
    number integer NOT NULL,
    occurred_at timestamp with time zone NOT NULL,
    day date NOT NULL,
    code text COLLATE "C" NOT NULL,
    place text COLLATE "C" NOT NULL,
    grade text COLLATE "C" NOT NULL,
    unreleased boolean NOT NULL,
    subject text COLLATE "C" NOT NULL,
    delta bigint NOT NULL,
    weight_mg bigint NOT NULL,
    cause text COLLATE "C" NOT NULL,
    reason text NOT NULL,
    destination text NOT NULL,
    other text COLLATE "C" NOT NULL,
    channel text NOT NULL,
    buyer text NOT NULL,
    reference text NOT NULL,
    how text NOT NULL,
    event uuid NOT NULL,
    CONSTRAINT movements_pkey PRIMARY KEY ("position", number)
);
CREATE INDEX movements_code_occurred_at_position_idx ON movements USING btree (code, occurred_at, "position");
CREATE INDEX movements_day_idx ON movements USING brin (day);
CREATE INDEX movements_day_idx1 ON movements USING btree (day) WHERE (cause = 'discarded'::text);
CREATE INDEX movements_occurred_at_idx ON movements USING brin (occurred_at);
GRANT DELETE, INSERT, SELECT, UPDATE ON movements TO firstout_app;

CREATE TABLE people (
    id uuid NOT NULL,
    kind text COLLATE "C" NOT NULL,
    name text COLLATE "C",
    address text,
    contact text,
    noted_at timestamp with time zone NOT NULL,
    erased_at timestamp with time zone,
    CONSTRAINT erased_whole CHECK (
CASE
    WHEN (erased_at IS NULL) THEN (name IS NOT NULL)
    ELSE ((name IS NULL) AND (address IS NULL) AND (contact IS NULL))
END),
    CONSTRAINT people_kind_check CHECK ((kind = ANY (ARRAY['supplier'::text, 'buyer'::text, 'key_holder'::text]))),
    CONSTRAINT people_name_check CHECK ((name <> ''::text)),
    CONSTRAINT people_pkey PRIMARY KEY (id)
) WITH (autovacuum_vacuum_threshold=0, autovacuum_vacuum_scale_factor=0);
CREATE UNIQUE INDEX people_key_holder ON people USING btree (name) WHERE (kind = 'key_holder'::text);
CREATE TRIGGER erased_only BEFORE UPDATE ON people FOR EACH ROW WHEN (((old.erased_at IS NOT NULL) OR (new.erased_at IS NULL) OR (((new.id IS DISTINCT FROM old.id) OR (new.kind IS DISTINCT FROM old.kind)) OR (new.noted_at IS DISTINCT FROM old.noted_at)))) EXECUTE FUNCTION refuse_change();
ALTER TABLE people ENABLE ALWAYS TRIGGER erased_only;
CREATE TRIGGER stays BEFORE DELETE OR TRUNCATE ON people FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
ALTER TABLE people ENABLE ALWAYS TRIGGER stays;
GRANT INSERT, SELECT ON people TO firstout_app;
GRANT UPDATE (address) ON people TO firstout_app;
GRANT UPDATE (contact) ON people TO firstout_app;
GRANT UPDATE (erased_at) ON people TO firstout_app;
GRANT UPDATE (name) ON people TO firstout_app;

CREATE TABLE readings (
    position bigint NOT NULL,
    subject text COLLATE "C" NOT NULL,
    began_at timestamp with time zone NOT NULL,
    ended_at timestamp with time zone NOT NULL,
    temperature_c double precision NOT NULL,
    failed boolean NOT NULL,
    CONSTRAINT readings_pkey PRIMARY KEY ("position")
);
CREATE INDEX readings_subject_ended_at_idx ON readings USING btree (subject, ended_at);
GRANT DELETE, INSERT, SELECT, UPDATE ON readings TO firstout_app;

CREATE TABLE recalls (
    id uuid NOT NULL,
    open boolean NOT NULL,
    position bigint NOT NULL,
    state jsonb NOT NULL,
    CONSTRAINT recalls_pkey PRIMARY KEY (id)
);
CREATE INDEX recalls_position_idx ON recalls USING btree ("position");
GRANT DELETE, INSERT, SELECT, UPDATE ON recalls TO firstout_app;

CREATE TABLE seal_hashes (
    idx bigint NOT NULL,
    hash bytea NOT NULL,
    CONSTRAINT seal_hashes_hash_check CHECK ((octet_length(hash) = 32)),
    CONSTRAINT seal_hashes_idx_check CHECK ((idx >= 0)),
    CONSTRAINT seal_hashes_pkey PRIMARY KEY (idx)
);
CREATE TRIGGER append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON seal_hashes FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
ALTER TABLE seal_hashes ENABLE ALWAYS TRIGGER append_only;
GRANT INSERT, SELECT ON seal_hashes TO firstout_app;

CREATE TABLE sequences (
    kind text COLLATE "C" NOT NULL,
    day date NOT NULL,
    last integer NOT NULL,
    CONSTRAINT sequences_pkey PRIMARY KEY (kind, day)
);
GRANT DELETE, INSERT, SELECT, UPDATE ON sequences TO firstout_app;

CREATE TABLE stock (
    code text COLLATE "C" NOT NULL,
    place text COLLATE "C" NOT NULL,
    grade text COLLATE "C" NOT NULL,
    unreleased boolean NOT NULL,
    subject text COLLATE "C" NOT NULL,
    site text COLLATE "C" NOT NULL,
    amount bigint NOT NULL,
    open boolean NOT NULL GENERATED ALWAYS AS (amount > 0) STORED,
    held boolean NOT NULL,
    date_kind text NOT NULL,
    date date,
    ends_by timestamp with time zone,
    discard_by timestamp with time zone,
    piece_mg bigint NOT NULL,
    arrived_at timestamp with time zone NOT NULL,
    counted_at timestamp with time zone,
    last_at timestamp with time zone NOT NULL,
    stood daterange NOT NULL GENERATED ALWAYS AS daterange((make_date((2000 + (substr(code, 2, 2))::integer), (substr(code, 4, 2))::integer, (substr(code, 6, 2))::integer) - 1),
CASE
    WHEN (amount > 0) THEN NULL::date
    ELSE GREATEST(((last_at AT TIME ZONE 'UTC'::text))::date, (make_date((2000 + (substr(code, 2, 2))::integer), (substr(code, 4, 2))::integer, (substr(code, 6, 2))::integer) - 1))
END, '[]'::text) STORED,
    CONSTRAINT stock_amount_check CHECK ((amount >= 0)),
    CONSTRAINT stock_pkey PRIMARY KEY (code, place, grade, unreleased)
) WITH (fillfactor=80);
CREATE INDEX stock_discard_by_idx ON stock USING btree (discard_by) WHERE open;
CREATE INDEX stock_ends_by_idx ON stock USING btree (ends_by) WHERE open;
CREATE INDEX stock_place_subject_counted_at_idx ON stock USING btree (place, subject, counted_at) WHERE (counted_at IS NOT NULL);
CREATE INDEX stock_place_subject_ends_by_idx ON stock USING btree (place, subject, ends_by) WHERE open;
CREATE INDEX stock_place_subject_ends_by_idx1 ON stock USING btree (place, subject, ends_by) WHERE (NOT open);
CREATE INDEX stock_stood_idx ON stock USING gist (stood) WHERE ((grade <> ''::text) AND (NOT unreleased));
CREATE INDEX stock_stood_idx1 ON stock USING gist (stood) WHERE ((grade = ''::text) OR unreleased);
CREATE INDEX stock_subject_ends_by_idx ON stock USING btree (subject, ends_by) WHERE open;
GRANT DELETE, INSERT, SELECT, UPDATE ON stock TO firstout_app;

CREATE TABLE things (
    code text COLLATE "C" NOT NULL,
    kind text COLLATE "C" NOT NULL,
    day integer NOT NULL,
    sequence integer NOT NULL,
    part integer NOT NULL,
    subject text COLLATE "C" NOT NULL,
    site text COLLATE "C" NOT NULL,
    occurred_at timestamp with time zone NOT NULL,
    position bigint NOT NULL,
    unfinished boolean NOT NULL,
    supplier text COLLATE "C" NOT NULL,
    supplier_lot text COLLATE "C" NOT NULL,
    state jsonb NOT NULL,
    CONSTRAINT things_pkey PRIMARY KEY (code) INCLUDE (subject, occurred_at, "position", supplier, supplier_lot)
) WITH (fillfactor=80);
CREATE INDEX things_code_idx ON things USING btree (code) WHERE unfinished;
CREATE INDEX things_kind_day_sequence_part_idx ON things USING btree (kind, day, sequence, part);
CREATE INDEX things_subject_occurred_at_idx ON things USING btree (subject, occurred_at) WHERE (kind = 'charge'::text);
CREATE INDEX things_supplier_occurred_at_idx ON things USING btree (supplier, occurred_at) WHERE ((supplier <> ''::text) AND (part = 0));
CREATE INDEX things_supplier_supplier_lot_idx ON things USING btree (supplier, supplier_lot) WHERE ((supplier <> ''::text) AND (part = 0));
GRANT DELETE, INSERT, SELECT, UPDATE ON things TO firstout_app;

CREATE TABLE vats (
    slug text COLLATE "C" NOT NULL,
    state jsonb NOT NULL,
    CONSTRAINT vats_pkey PRIMARY KEY (slug)
);
GRANT DELETE, INSERT, SELECT, UPDATE ON vats TO firstout_app;
