-- The derived tables. Each can be dropped and folded again from the log; nothing here is the only copy of anything.
-- Indexes and constraints keep the names that PostgreSQL gives them: a rebuild makes the same ones anew.
-- Codes, slugs and places are compared byte by byte, whatever the database's own language is.

-- +goose Up

-- Every version of every definition. body is the definition itself, in its newest shape.
CREATE TABLE definitions (
    kind        text COLLATE "C" NOT NULL, -- site, place, supplier, buyer, ingredient, formula, vat, mould, design or scheme
    slug        text COLLATE "C" NOT NULL,
    version     int NOT NULL,
    position    bigint NOT NULL,
    recorded_at timestamptz NOT NULL,
    body        jsonb NOT NULL,
    PRIMARY KEY (kind, slug, version)
);

-- Lots and portions, charges, ganaches, runs and boxes, with their parts. state is the thing as the workshop knows it.
CREATE TABLE things (
    code        text COLLATE "C" PRIMARY KEY,
    kind        text COLLATE "C" NOT NULL, -- lot, charge, ganache, run or box
    day         int NOT NULL,              -- yymmdd, as in the code
    sequence    int NOT NULL,
    part        int NOT NULL,              -- 0: the whole thing
    subject     text COLLATE "C" NOT NULL, -- ingredient, formula or design; of a charge its vat, of boxes none
    site        text COLLATE "C" NOT NULL,
    occurred_at timestamptz NOT NULL,      -- when it came to be
    position    bigint NOT NULL,           -- of the event that made it known
    unfinished  boolean NOT NULL,          -- a run still in its moulds, a charge not emptied
    supplier    text COLLATE "C" NOT NULL, -- of a delivery, and '' of anything else
    supplier_lot text COLLATE "C" NOT NULL, -- the supplier's own code of it; '' if it is not known
    state       jsonb NOT NULL
) WITH (fillfactor = 80);
CREATE INDEX ON things (kind, day, sequence, part);
CREATE INDEX ON things (code) WHERE unfinished;
CREATE INDEX ON things (subject, occurred_at) WHERE kind = 'charge';
CREATE INDEX ON things (supplier, supplier_lot) WHERE supplier <> '';
CREATE INDEX ON things (supplier, occurred_at) WHERE supplier <> '';

-- How much of a thing stands at a place: pieces, or milligrams. Dates and hold are the thing's.
-- Sales change amount, which no index holds: with room left on the page such an update touches no index. open
-- stands for amount > 0 in the indexes, because an index on amount itself would spoil that.
CREATE TABLE stock (
    code       text COLLATE "C" NOT NULL,
    place      text COLLATE "C" NOT NULL, -- of a charge, its vat
    grade      text COLLATE "C" NOT NULL, -- first, second or unfilled; '' of what is neither pieces nor boxes
    unreleased boolean NOT NULL,
    subject    text COLLATE "C" NOT NULL, -- ingredient, formula or design; '' of a charge and of boxes
    site       text COLLATE "C" NOT NULL,
    amount     bigint NOT NULL CHECK (amount >= 0),
    open       boolean NOT NULL GENERATED ALWAYS AS (amount > 0) STORED,
    held       boolean NOT NULL,
    date_kind  text NOT NULL,             -- use_by or best_before; '' while there is no date
    date       date,
    ends_by    timestamptz,               -- none while there is no date
    discard_by timestamptz,
    piece_mg   bigint NOT NULL,           -- mass of a piece or box; 0 of what is weighed
    arrived_at timestamptz NOT NULL,
    counted_at timestamptz,               -- when the last count found what stood here
    last_at    timestamptz NOT NULL,      -- of its last movement: what is dated before it is a late entry
    -- The days (UTC) on which it can have stood here: from that of its code to its last movement, while there is
    -- any without an end. It changes with the last piece only, not with every sale.
    stood      daterange NOT NULL GENERATED ALWAYS AS (daterange(
        make_date(2000 + substr(code, 2, 2)::int, substr(code, 4, 2)::int, substr(code, 6, 2)::int) - 1,
        CASE WHEN amount > 0 THEN NULL ELSE greatest((last_at AT TIME ZONE 'UTC')::date,
            make_date(2000 + substr(code, 2, 2)::int, substr(code, 4, 2)::int, substr(code, 6, 2)::int) - 1) END, '[]')) STORED,
    PRIMARY KEY (code, place, grade, unreleased)
) WITH (fillfactor = 80);
CREATE INDEX ON stock (place, subject, ends_by) WHERE open;
CREATE INDEX ON stock (place, subject, ends_by) WHERE NOT open; -- what stood here: a line comes into it with its last piece
CREATE INDEX ON stock (subject, ends_by) WHERE open;
CREATE INDEX ON stock (ends_by) WHERE open; -- what falls due next
CREATE INDEX ON stock (discard_by) WHERE open;
CREATE INDEX ON stock (place, subject, counted_at) WHERE counted_at IS NOT NULL;
CREATE INDEX ON stock USING gist (stood) WHERE grade <> '' AND NOT unreleased; -- what may have been sold on a day

CREATE TABLE vats (
    slug  text COLLATE "C" PRIMARY KEY,
    state jsonb NOT NULL
);

CREATE TABLE holds (
    id       uuid PRIMARY KEY, -- of the event that placed it
    open     boolean NOT NULL,
    position bigint NOT NULL,  -- of the event that placed it
    state    jsonb NOT NULL
);
CREATE INDEX ON holds (position);
CREATE INDEX ON holds (position) WHERE open;

CREATE TABLE deviations (
    id       uuid PRIMARY KEY,          -- of the event that opened it
    open     boolean NOT NULL,
    code     text COLLATE "C" NOT NULL, -- '' where it concerns a place only
    position bigint NOT NULL,           -- of the event that opened it
    state    jsonb NOT NULL
);
CREATE INDEX ON deviations (position);
CREATE INDEX ON deviations (position) WHERE open;
CREATE INDEX ON deviations (code);

CREATE TABLE recalls (
    id       uuid PRIMARY KEY, -- of the event that opened it
    open     boolean NOT NULL,
    position bigint NOT NULL,  -- of the event that opened it
    state    jsonb NOT NULL
);
CREATE INDEX ON recalls (position);

-- The last sequence number given to a kind of code on a day.
CREATE TABLE sequences (
    kind text COLLATE "C" NOT NULL,
    day  date NOT NULL,
    last int NOT NULL,
    PRIMARY KEY (kind, day)
);

-- Every change of every line of stock.
CREATE TABLE movements (
    position    bigint NOT NULL,
    number      int NOT NULL, -- within its event, from 0
    occurred_at timestamptz NOT NULL,
    day         date NOT NULL, -- of occurred_at on the site's calendar
    code        text COLLATE "C" NOT NULL,
    place       text COLLATE "C" NOT NULL,
    grade       text COLLATE "C" NOT NULL,
    unreleased  boolean NOT NULL,
    subject     text COLLATE "C" NOT NULL,
    delta       bigint NOT NULL, -- pieces, or milligrams
    weight_mg   bigint NOT NULL, -- what moved, also of pieces; never negative
    cause       text COLLATE "C" NOT NULL,
    reason      text NOT NULL,
    destination text NOT NULL,
    other       text COLLATE "C" NOT NULL, -- the other place of a move
    channel     text NOT NULL,
    buyer       text NOT NULL,
    reference   text NOT NULL,
    how         text NOT NULL,
    PRIMARY KEY (position, number)
);
CREATE INDEX ON movements (code, occurred_at, position);
CREATE INDEX ON movements USING brin (occurred_at);
CREATE INDEX ON movements USING brin (day);
CREATE INDEX ON movements (day) WHERE cause = 'discarded';

-- What went into what. Membership counts even where the mass is nothing.
CREATE TABLE edges (
    position    bigint NOT NULL,
    number      int NOT NULL, -- within its event, from 0
    from_code   text COLLATE "C" NOT NULL, -- '' of an untracked ingredient
    to_code     text COLLATE "C" NOT NULL,
    occurred_at timestamptz NOT NULL,
    mass_mg     bigint NOT NULL,
    ingredient  text COLLATE "C" NOT NULL, -- of an untracked input
    PRIMARY KEY (position, number)
);
CREATE INDEX ON edges (from_code, occurred_at, position, number);
CREATE INDEX ON edges (to_code, occurred_at, position, number);

-- What happened to what is in charges, for entries that come late: they fold by (occurred_at, position, number).
CREATE TABLE charge_ops (
    position    bigint NOT NULL,
    number      int NOT NULL, -- within its event, from 0
    charge      text COLLATE "C" NOT NULL,
    occurred_at timestamptz NOT NULL,
    kind        text COLLATE "C" NOT NULL, -- in, film, out, found or ended
    mass_mg     bigint NOT NULL,
    other       text COLLATE "C" NOT NULL, -- what it came from or went into; '' of what has no code
    use         text COLLATE "C" NOT NULL, -- of a draw for a run: shell or cap
    mix         jsonb NOT NULL,            -- what came in or clings; of a draw what was taken
    PRIMARY KEY (position, number)
);
CREATE INDEX ON charge_ops (charge);

-- Temperatures read at places and on things, and failures declared.
CREATE TABLE readings (
    position      bigint PRIMARY KEY,
    subject       text COLLATE "C" NOT NULL,  -- a place's slug, or the code of a thing
    began_at      timestamptz NOT NULL,       -- of what was read at an instant the same as ended_at
    ended_at      timestamptz NOT NULL,
    temperature_c double precision NOT NULL,  -- 0 where none was read
    failed        boolean NOT NULL            -- none was read, and a failure was declared
);
CREATE INDEX ON readings (subject, ended_at);

-- Pieces sold loose, by the site's calendar.
CREATE TABLE daily_sales (
    place   text COLLATE "C" NOT NULL,
    subject text COLLATE "C" NOT NULL,
    day     date NOT NULL,
    pieces  bigint NOT NULL,
    PRIMARY KEY (place, subject, day)
) WITH (fillfactor = 50);

-- Which command corrected which. A correction may be corrected itself.
CREATE TABLE corrections (
    command   uuid PRIMARY KEY,
    corrected uuid NOT NULL,   -- the command that it corrects
    position  bigint NOT NULL, -- of the event that says so
    event     uuid NOT NULL,   -- and its id
    voids     boolean NOT NULL
);
CREATE INDEX ON corrections (corrected);

GRANT SELECT, INSERT, UPDATE, DELETE
    ON definitions, things, stock, vats, holds, deviations, recalls, sequences, movements, edges, charge_ops, readings, daily_sales, corrections
    TO firstout_app;
