-- What collectors that share one plant say of themselves: of the moment, and in no backup.
CREATE TABLE collectors (
    name  TEXT NOT NULL PRIMARY KEY,
    at_us BIGINT NOT NULL,
    body  TEXT NOT NULL
);
