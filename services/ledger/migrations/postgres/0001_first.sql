-- The tables of SQLite's 0001_first.sql. Texts compare by their bytes, as there, so that the same rows stand in the
-- same order on both.

-- Times are microseconds since 1970-01-01T00:00Z. Bodies are JSON of the shared vocabulary.

-- Readings not yet in Parquet. The key is the whole reading, so that what is delivered twice exists once and two
-- values for one instant both stay. The time comes first: new rows append, and closed hours are a range.
CREATE TABLE journal (
    at_us       BIGINT   NOT NULL,
    unit        TEXT COLLATE "C" NOT NULL,
    signal      TEXT COLLATE "C" NOT NULL,
    kind        SMALLINT NOT NULL,            -- 0 missing, 1 number, 2 word
    number      DOUBLE PRECISION NOT NULL,
    word        TEXT COLLATE "C" NOT NULL,
    quality     SMALLINT NOT NULL,
    time_source SMALLINT NOT NULL,
    claim       BIGINT   NOT NULL DEFAULT 0,  -- generation of the compaction that is moving it, 0 if none
    PRIMARY KEY (at_us, unit, signal, kind, number, word, quality, time_source)
);

-- The manifest: which Parquet file speaks for which day.
CREATE TABLE day_files (
    day        TEXT COLLATE "C" PRIMARY KEY,
    generation BIGINT NOT NULL,
    body       TEXT COLLATE "C" NOT NULL
);

-- Numbers and instants that belong to the whole store.
CREATE TABLE marks (
    name  TEXT COLLATE "C" PRIMARY KEY,
    value BIGINT NOT NULL
);

CREATE TABLE tubes (
    tube TEXT COLLATE "C" PRIMARY KEY,
    body TEXT COLLATE "C" NOT NULL
);

CREATE TABLE fittings (
    tube    TEXT COLLATE "C" NOT NULL REFERENCES tubes (tube),
    unit    TEXT COLLATE "C" NOT NULL,
    from_us BIGINT NOT NULL,
    to_us   BIGINT,
    PRIMARY KEY (tube, from_us)
);

CREATE TABLE work (
    at_us BIGINT NOT NULL,
    tube  TEXT COLLATE "C" NOT NULL REFERENCES tubes (tube),
    work  TEXT COLLATE "C" NOT NULL,
    note  TEXT COLLATE "C",
    PRIMARY KEY (at_us, tube, work)
);

CREATE TABLE findings (
    id    BIGINT NOT NULL PRIMARY KEY,
    at_us BIGINT NOT NULL,
    tube  TEXT COLLATE "C" NOT NULL REFERENCES tubes (tube),
    body  TEXT COLLATE "C" NOT NULL,
    EXCLUDE USING hash (body WITH =)          -- unique; a long note would not fit into a B-tree's row
);

CREATE TABLE campaigns (
    unit    TEXT COLLATE "C" NOT NULL,
    from_us BIGINT NOT NULL,
    body    TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (unit, from_us)
);

CREATE TABLE baselines (
    version    BIGINT NOT NULL PRIMARY KEY,
    created_us BIGINT NOT NULL,
    body       TEXT COLLATE "C" NOT NULL
);

CREATE TABLE models (
    version    BIGINT NOT NULL PRIMARY KEY,
    created_us BIGINT NOT NULL,
    status     TEXT COLLATE "C" NOT NULL,              -- proposed, approved, retired
    decided_us BIGINT,
    decided_by TEXT COLLATE "C",
    why        TEXT COLLATE "C",
    body       TEXT COLLATE "C" NOT NULL
);

CREATE TABLE scores (
    at_us   BIGINT NOT NULL,
    subject TEXT COLLATE "C" NOT NULL,                  -- the tube, or the unit without one
    body    TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (at_us, subject)
);
