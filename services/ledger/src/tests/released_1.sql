BEGIN TRANSACTION;
CREATE TABLE _sqlx_migrations (
    version BIGINT PRIMARY KEY,
    description TEXT NOT NULL,
    installed_on TIMESTAMP NOT NULL DEFAULT CURRENT_TIMESTAMP,
    success BOOLEAN NOT NULL,
    checksum BLOB NOT NULL,
    execution_time BIGINT NOT NULL
);
INSERT INTO "_sqlx_migrations" VALUES(1,'first','2026-11-25 05:30:10',1,X'5DC14B8D1CF5CF4BDA2845421E13A5E1028D0DEE1DF1EFDB481FFFE15FA669A43B9E644FB77435AAEB52A1FFBE65A4A2',1029859);
CREATE TABLE baselines (
    version    INTEGER PRIMARY KEY,
    created_us BIGINT NOT NULL,
    body       TEXT   NOT NULL
);
INSERT INTO "baselines" VALUES(1,1780000100000000,'{"of":"torque"}');
CREATE TABLE campaigns (
    unit    TEXT   NOT NULL,
    from_us BIGINT NOT NULL,
    body    TEXT   NOT NULL,
    PRIMARY KEY (unit, from_us)
);
INSERT INTO "campaigns" VALUES('C1',1767225600000000,'{"unit":"C1","from":"2026-01-01T00:00:00Z","to":"2026-01-05T00:00:00Z","product":"fondant","planned":false,"run_h":90.0}');
INSERT INTO "campaigns" VALUES('C2',1782864000000000,'{"unit":"C2","from":"2026-07-01T00:00:00Z","to":"2026-07-05T00:00:00Z","product":"caramel","planned":true,"run_h":null}');
CREATE TABLE day_files (
    day        TEXT   PRIMARY KEY,
    generation BIGINT NOT NULL,
    body       TEXT   NOT NULL
);
INSERT INTO "day_files" VALUES('2026-05-01',1,'{"day":"2026-05-01","generation":1,"path":"readings/2026-05-01/1.parquet","rows":10,"conflicts":0,"first_at":"2026-05-01T00:00:00Z","last_at":"2026-05-01T00:01:40Z","bytes":100}');
CREATE TABLE findings (
    id    INTEGER PRIMARY KEY,
    at_us BIGINT  NOT NULL,
    tube  TEXT    NOT NULL REFERENCES tubes (tube),
    body  TEXT    NOT NULL UNIQUE
);
INSERT INTO "findings" VALUES(1,1740787200000000,'T1','{"at":"2025-03-01T00:00:00Z","tube":"T1","grade":1,"zone":"drive","clock":"12","method":"nail","kind":"groove","depth_um":12.5,"reason":"scheduled","inspector":"R. Inspector","run_h":300.0,"recorded_at":null,"note":"near the end"}');
INSERT INTO "findings" VALUES(2,1748736000000000,'T1','{"at":"2025-06-01T00:00:00Z","tube":"T1","grade":2,"zone":null,"clock":null,"method":null,"kind":null,"depth_um":null,"reason":null,"inspector":null,"run_h":null,"recorded_at":"2025-06-03T00:00:00Z","note":null}');
INSERT INTO "findings" VALUES(3,1748736000000000,'T2','{"at":"2025-06-01T00:00:00Z","tube":"T2","grade":0,"zone":null,"clock":null,"method":"light","kind":null,"depth_um":null,"reason":"changeover","inspector":null,"run_h":null,"recorded_at":null,"note":null}');
CREATE TABLE fittings (
    tube    TEXT   NOT NULL REFERENCES tubes (tube),
    unit    TEXT   NOT NULL,
    from_us BIGINT NOT NULL,
    to_us   BIGINT,
    PRIMARY KEY (tube, from_us)
);
INSERT INTO "fittings" VALUES('T1','C1',1735689600000000,1748736000000000);
INSERT INTO "fittings" VALUES('T2','C2',1735689600000000,NULL);
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
INSERT INTO "journal" VALUES(1780000000000000,'C1','torque',1,80.5,'',2,0,0);
INSERT INTO "journal" VALUES(1780000001000000,'C1','torque',0,0.0,'',2,0,0);
INSERT INTO "journal" VALUES(1780000002000000,'C1','product',2,0.0,'fondant',2,0,0);
CREATE TABLE marks (
    name  TEXT   PRIMARY KEY,
    value BIGINT NOT NULL
);
INSERT INTO "marks" VALUES('generation',1);
INSERT INTO "marks" VALUES('closed_until_us',1777680000000000);
CREATE TABLE models (
    version    INTEGER PRIMARY KEY,
    created_us BIGINT NOT NULL,
    status     TEXT   NOT NULL,              -- proposed, approved, retired
    decided_us BIGINT,
    decided_by TEXT,
    why        TEXT,
    body       TEXT   NOT NULL
);
INSERT INTO "models" VALUES(1,1780000200000000,'approved',1780000400000000,'R. Analyst','beats the base rate','{"name":"first"}');
INSERT INTO "models" VALUES(2,1780000300000000,'proposed',NULL,NULL,NULL,'{"name":"second"}');
CREATE TABLE scores (
    at_us   BIGINT NOT NULL,
    subject TEXT   NOT NULL,                  -- the tube, or the unit without one
    body    TEXT   NOT NULL,
    PRIMARY KEY (at_us, subject)
);
INSERT INTO "scores" VALUES(1780000500000000,'T1','{"at":"2026-05-28T20:35:00Z","tube":"T1","unit":null,"state":"not_fitted","reason":"on the shelf","risks":[],"last_look_at":null,"last_grade":null,"run_h":12.5,"blind_h":0.0,"coverage":null,"equivalent_h":12.5,"drivers":[],"hold_and_assess":false,"model":"model 1","data_from":null,"data_to":null}');
CREATE TABLE tubes (
    tube TEXT PRIMARY KEY,
    body TEXT NOT NULL
);
INSERT INTO "tubes" VALUES('T1','{"tube":"T1","surface":"hard_chrome","bore_mm":152.4,"length_mm":null,"plating_um":null,"run_h_before":null,"note":"it''s the first"}');
INSERT INTO "tubes" VALUES('T2','{"tube":"T2","surface":"stainless","bore_mm":null,"length_mm":null,"plating_um":null,"run_h_before":null,"note":null}');
CREATE TABLE work (
    at_us BIGINT NOT NULL,
    tube  TEXT   NOT NULL REFERENCES tubes (tube),
    work  TEXT   NOT NULL,
    note  TEXT,
    PRIMARY KEY (at_us, tube, work)
);
INSERT INTO "work" VALUES(1735689600000000,'T1','new',NULL);
COMMIT;
