-- A finding of before has no time and name of entry: nobody wrote them down.
ALTER TABLE findings ADD COLUMN entered_us BIGINT;
ALTER TABLE findings ADD COLUMN entered_by TEXT COLLATE "C";

-- The row in `findings` is the first version and stays as it is; later versions stand here. No body: withdrawn.
CREATE TABLE finding_changes (
    finding BIGINT NOT NULL REFERENCES findings (id),
    version BIGINT NOT NULL,
    at_us   BIGINT NOT NULL,
    who     TEXT COLLATE "C" NOT NULL,
    why     TEXT COLLATE "C" NOT NULL,
    body    TEXT COLLATE "C",
    PRIMARY KEY (finding, version)
);

-- Requests that carried a key, so that the same request sent again gets the same answer.
CREATE TABLE request_keys (
    key    TEXT COLLATE "C" PRIMARY KEY,
    sha256 TEXT COLLATE "C" NOT NULL,                   -- of what was asked
    answer TEXT COLLATE "C" NOT NULL,
    at_us  BIGINT NOT NULL
);

-- Every write to record, models, people and tokens, in its transaction.
CREATE TABLE audit (
    id      BIGINT NOT NULL PRIMARY KEY,
    at_us   BIGINT NOT NULL,
    who     TEXT COLLATE "C" NOT NULL,
    action  TEXT COLLATE "C" NOT NULL,
    subject TEXT COLLATE "C" NOT NULL,
    detail  TEXT COLLATE "C" NOT NULL
);

CREATE TABLE people (
    id          BIGINT NOT NULL PRIMARY KEY,
    name        TEXT COLLATE "C" NOT NULL,
    name_key    TEXT COLLATE "C" NOT NULL UNIQUE,       -- the name in lower case
    role        TEXT COLLATE "C" NOT NULL,
    password    TEXT COLLATE "C" NOT NULL,              -- PHC string: algorithm, parameters, salt, hash
    created_us  BIGINT NOT NULL,
    disabled_us BIGINT
);

CREATE TABLE sessions (
    sha256   TEXT COLLATE "C" PRIMARY KEY,              -- of the secret; the secret itself is kept nowhere
    person   BIGINT NOT NULL REFERENCES people (id),
    until_us BIGINT NOT NULL
);

CREATE TABLE tokens (
    id         BIGINT NOT NULL PRIMARY KEY,
    name       TEXT COLLATE "C" NOT NULL,
    name_key   TEXT COLLATE "C" NOT NULL UNIQUE,
    role       TEXT COLLATE "C" NOT NULL,
    sha256     TEXT COLLATE "C" NOT NULL UNIQUE,
    created_us BIGINT NOT NULL,
    revoked_us BIGINT
);

-- The pictures themselves lie in a folder, named by their content.
CREATE TABLE photos (
    id         BIGINT NOT NULL PRIMARY KEY,
    finding    BIGINT NOT NULL REFERENCES findings (id),
    name       TEXT COLLATE "C" NOT NULL,
    media_type TEXT COLLATE "C" NOT NULL,
    bytes      BIGINT NOT NULL,
    sha256     TEXT COLLATE "C" NOT NULL,
    stored_as  TEXT COLLATE "C" NOT NULL,
    at_us      BIGINT NOT NULL,
    who        TEXT COLLATE "C" NOT NULL
);

CREATE INDEX photos_of_finding ON photos (finding);
