-- Advice, from the moment that its cause stands. Not raised yet: raised_us is empty. Cleared: it stays, to be read.
CREATE TABLE advice (
    id           BIGINT PRIMARY KEY,
    tube         TEXT COLLATE "C" NOT NULL,
    unit         TEXT COLLATE "C" NOT NULL,
    kind         TEXT COLLATE "C" NOT NULL,
    cause_us     BIGINT NOT NULL,
    raised_us    BIGINT,
    gone_us      BIGINT,
    cleared_us   BIGINT,
    seen_by      TEXT COLLATE "C",
    seen_us      BIGINT,
    put_off_to   BIGINT,
    put_off_why  TEXT COLLATE "C",
    put_off_by   TEXT COLLATE "C",
    put_off_us   BIGINT
);

-- One at a time of each kind for a tube in a unit.
CREATE UNIQUE INDEX advice_open ON advice (tube, unit, kind) WHERE cleared_us IS NULL;
