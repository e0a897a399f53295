-- What a score stood on, as JSON; nothing for scores of before.
ALTER TABLE scores ADD COLUMN grounds TEXT COLLATE "C";

CREATE INDEX scores_of_subject ON scores (subject, at_us);

-- Scores of a proposed model beside those that were published. They are never published.
CREATE TABLE trial_scores (
    at_us   BIGINT NOT NULL,
    subject TEXT COLLATE "C" NOT NULL,
    model   TEXT COLLATE "C" NOT NULL,
    body    TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (at_us, subject, model)
);

-- A unit's hours of a day as the scores of an instant saw them. Written when they differ from what was seen before.
-- No body: seen on days long past when this began, and only their digest is kept.
CREATE TABLE hours_seen (
    unit     TEXT COLLATE "C" NOT NULL,
    day      BIGINT NOT NULL,                  -- counted from 1970-01-01
    baseline BIGINT NOT NULL,                  -- the torque baseline behind them, 0 for none
    at_us    BIGINT NOT NULL,
    sha256   TEXT COLLATE "C" NOT NULL,
    body     TEXT COLLATE "C",
    PRIMARY KEY (unit, day, baseline, at_us)
);

-- Looks that an analyst has set aside: they stay in the record and enter no fit and no score until that is lifted.
CREATE TABLE looks_aside (
    id         BIGINT NOT NULL PRIMARY KEY,
    tube       TEXT COLLATE "C" NOT NULL REFERENCES tubes (tube),
    look_us    BIGINT NOT NULL,
    at_us      BIGINT NOT NULL,
    who        TEXT COLLATE "C" NOT NULL,
    why        TEXT COLLATE "C" NOT NULL,
    lifted_us  BIGINT,
    lifted_by  TEXT COLLATE "C",
    lifted_why TEXT COLLATE "C"
);
