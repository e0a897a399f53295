-- What is to be told to others, from the moment that advice is raised or cleared. Confirmed: told_us. Given up: given_up_us.
CREATE TABLE notices (
    id          BIGINT NOT NULL PRIMARY KEY,
    key         TEXT NOT NULL UNIQUE, -- the same over all tries
    target      TEXT NOT NULL, -- whom the config calls so
    advice      BIGINT NOT NULL,
    at_us       BIGINT NOT NULL,
    body        TEXT NOT NULL,
    tries       BIGINT NOT NULL,
    next_us     BIGINT NOT NULL, -- not tried before
    told_us     BIGINT,
    given_up_us BIGINT,
    error       TEXT -- why the last try failed
);

CREATE INDEX notices_waiting ON notices (target, id) WHERE told_us IS NULL AND given_up_us IS NULL;
