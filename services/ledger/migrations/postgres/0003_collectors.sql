-- What collectors that share one plant say of themselves: of the moment, and in no backup.
CREATE TABLE collectors (
    name  TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    at_us BIGINT NOT NULL,
    body  TEXT COLLATE "C" NOT NULL
);
