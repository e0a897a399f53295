-- A finding of before has no time and name of entry: nobody wrote them down.
ALTER TABLE findings ADD COLUMN entered_us BIGINT;
ALTER TABLE findings ADD COLUMN entered_by TEXT;

-- The row in `findings` is the first version and stays as it is; later versions stand here. No body: withdrawn.
CREATE TABLE finding_changes (
    finding BIGINT NOT NULL REFERENCES findings (id),
    version BIGINT NOT NULL,
    at_us   BIGINT NOT NULL,
    who     TEXT   NOT NULL,
    why     TEXT   NOT NULL,
    body    TEXT,
    PRIMARY KEY (finding, version)
);

-- Requests that carried a key, so that the same request sent again gets the same answer.
CREATE TABLE request_keys (
    key    TEXT   PRIMARY KEY,
    sha256 TEXT   NOT NULL,                   -- of what was asked
    answer TEXT   NOT NULL,
    at_us  BIGINT NOT NULL
);

-- Every write to record, models, people and tokens, in its transaction.
CREATE TABLE audit (
    id      BIGINT NOT NULL PRIMARY KEY,
    at_us   BIGINT NOT NULL,
    who     TEXT   NOT NULL,
    action  TEXT   NOT NULL,
    subject TEXT   NOT NULL,
    detail  TEXT   NOT NULL
);

CREATE TABLE people (
    id          BIGINT NOT NULL PRIMARY KEY,
    name        TEXT   NOT NULL,
    name_key    TEXT   NOT NULL UNIQUE,       -- the name in lower case
    role        TEXT   NOT NULL,
    password    TEXT   NOT NULL,              -- PHC string: algorithm, parameters, salt, hash
    created_us  BIGINT NOT NULL,
    disabled_us BIGINT
);

CREATE TABLE sessions (
    sha256   TEXT   PRIMARY KEY,              -- of the secret; the secret itself is kept nowhere
    person   BIGINT NOT NULL REFERENCES people (id),
    until_us BIGINT NOT NULL
);

CREATE TABLE tokens (
    id         BIGINT NOT NULL PRIMARY KEY,
    name       TEXT   NOT NULL,
    name_key   TEXT   NOT NULL UNIQUE,
    role       TEXT   NOT NULL,
    sha256     TEXT   NOT NULL UNIQUE,
    created_us BIGINT NOT NULL,
    revoked_us BIGINT
);

-- The pictures themselves lie in a folder, named by their content.
CREATE TABLE photos (
    id         BIGINT NOT NULL PRIMARY KEY,
    finding    BIGINT NOT NULL REFERENCES findings (id),
    name       TEXT   NOT NULL,
    media_type TEXT   NOT NULL,
    bytes      BIGINT NOT NULL,
    sha256     TEXT   NOT NULL,
    stored_as  TEXT   NOT NULL,
    at_us      BIGINT NOT NULL,
    who        TEXT   NOT NULL
);

CREATE INDEX photos_of_finding ON photos (finding);
