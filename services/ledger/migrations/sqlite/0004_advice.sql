-- Advice, from the moment that its cause stands. Not raised yet: raised_us is empty. Cleared: it stays, to be read.
CREATE TABLE advice (
    id           BIGINT PRIMARY KEY,
    tube         TEXT NOT NULL,
    unit         TEXT NOT NULL,
    kind         TEXT NOT NULL,
    cause_us     BIGINT NOT NULL,
    raised_us    BIGINT,
    gone_us      BIGINT,
    cleared_us   BIGINT,
    seen_by      TEXT,
    seen_us      BIGINT,
    put_off_to   BIGINT,
    put_off_why  TEXT,
    put_off_by   TEXT,
    put_off_us   BIGINT
);

-- One at a time of each kind for a tube in a unit.
CREATE UNIQUE INDEX advice_open ON advice (tube, unit, kind) WHERE cleared_us IS NULL;
