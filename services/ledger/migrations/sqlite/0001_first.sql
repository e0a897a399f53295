-- Times are microseconds since 1970-01-01T00:00Z. Bodies are JSON of the shared vocabulary.

-- Readings not yet in Parquet. The key is the whole reading, so that what is delivered twice exists once and two
-- values for one instant both stay. The time comes first: new rows append, and closed hours are a range.
CREATE TABLE journal (
    at_us       BIGINT   NOT NULL,
    unit        TEXT     NOT NULL,
    signal      TEXT     NOT NULL,
    kind        SMALLINT NOT NULL,            -- 0 missing, 1 number, 2 word
    number      DOUBLE PRECISION NOT NULL,
    word        TEXT     NOT NULL,
    quality     SMALLINT NOT NULL,
    time_source SMALLINT NOT NULL,
    claim       BIGINT   NOT NULL DEFAULT 0,  -- generation of the compaction that is moving it, 0 if none
    PRIMARY KEY (at_us, unit, signal, kind, number, word, quality, time_source)
) WITHOUT ROWID;

-- The manifest: which Parquet file speaks for which day.
CREATE TABLE day_files (
    day        TEXT   PRIMARY KEY,
    generation BIGINT NOT NULL,
    body       TEXT   NOT NULL
);

-- Numbers and instants that belong to the whole store.
CREATE TABLE marks (
    name  TEXT   PRIMARY KEY,
    value BIGINT NOT NULL
);

CREATE TABLE tubes (
    tube TEXT PRIMARY KEY,
    body TEXT NOT NULL
);

CREATE TABLE fittings (
    tube    TEXT   NOT NULL REFERENCES tubes (tube),
    unit    TEXT   NOT NULL,
    from_us BIGINT NOT NULL,
    to_us   BIGINT,
    PRIMARY KEY (tube, from_us)
);

CREATE TABLE work (
    at_us BIGINT NOT NULL,
    tube  TEXT   NOT NULL REFERENCES tubes (tube),
    work  TEXT   NOT NULL,
    note  TEXT,
    PRIMARY KEY (at_us, tube, work)
);

CREATE TABLE findings (
    id    INTEGER PRIMARY KEY,
    at_us BIGINT  NOT NULL,
    tube  TEXT    NOT NULL REFERENCES tubes (tube),
    body  TEXT    NOT NULL UNIQUE
);

CREATE TABLE campaigns (
    unit    TEXT   NOT NULL,
    from_us BIGINT NOT NULL,
    body    TEXT   NOT NULL,
    PRIMARY KEY (unit, from_us)
);

CREATE TABLE baselines (
    version    INTEGER PRIMARY KEY,
    created_us BIGINT NOT NULL,
    body       TEXT   NOT NULL
);

CREATE TABLE models (
    version    INTEGER PRIMARY KEY,
    created_us BIGINT NOT NULL,
    status     TEXT   NOT NULL,              -- proposed, approved, retired
    decided_us BIGINT,
    decided_by TEXT,
    why        TEXT,
    body       TEXT   NOT NULL
);

CREATE TABLE scores (
    at_us   BIGINT NOT NULL,
    subject TEXT   NOT NULL,                  -- the tube, or the unit without one
    body    TEXT   NOT NULL,
    PRIMARY KEY (at_us, subject)
);
