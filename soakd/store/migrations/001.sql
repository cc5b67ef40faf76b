-- The first journal: runs, what happened in them, one row per tick, and the ledger of verdicts.

CREATE TABLE run (
    run_id      TEXT PRIMARY KEY,
    started_utc TEXT NOT NULL,
    boot_id     TEXT NOT NULL,
    drill       INT  NOT NULL CHECK (drill IN (0, 1)),
    state       TEXT NOT NULL CHECK (state IN ('starting', 'soaking', 'finished')),
    record      TEXT NOT NULL   -- everything that was known before the load, as JSON
) STRICT;

CREATE INDEX run_unfinished ON run (state) WHERE state <> 'finished';

CREATE TABLE event (
    run_id TEXT NOT NULL REFERENCES run (run_id),
    number INT  NOT NULL,       -- order of arrival within the run
    at_s   REAL NOT NULL,       -- seconds since the run started
    body   TEXT NOT NULL,       -- the event as JSON
    PRIMARY KEY (run_id, number)
) STRICT, WITHOUT ROWID;

CREATE TABLE tick (
    run_id   TEXT NOT NULL REFERENCES run (run_id),
    number   INT  NOT NULL,     -- point of the sampling grid
    at_s     REAL NOT NULL,
    late_s   REAL NOT NULL,
    stage    INT,               -- NULL between stages
    readings BLOB NOT NULL,     -- little-endian float32 per channel, in the record's order; NaN is a gap
    gaps     TEXT,              -- JSON, channel to reason; NULL when there are none
    PRIMARY KEY (run_id, number)
) STRICT;

CREATE TABLE worker (           -- latest totals, so that an orphan keeps what it had done
    run_id TEXT NOT NULL REFERENCES run (run_id),
    stage  INT  NOT NULL,
    core   INT  NOT NULL,
    totals TEXT NOT NULL,
    PRIMARY KEY (run_id, stage, core)
) STRICT, WITHOUT ROWID;

CREATE TABLE verdict (
    run_id       TEXT PRIMARY KEY REFERENCES run (run_id),
    finished_utc TEXT NOT NULL,
    plan         TEXT NOT NULL,
    sheet        TEXT,
    outcome      TEXT NOT NULL CHECK (outcome IN ('pass', 'fail', 'inconclusive')),
    reason       TEXT,          -- the gravest one, for listings
    fingerprint  TEXT NOT NULL,
    drill        INT  NOT NULL CHECK (drill IN (0, 1)),
    body         TEXT NOT NULL  -- the whole verdict as JSON
) STRICT;

CREATE INDEX verdict_by_time ON verdict (finished_utc);
CREATE INDEX verdict_by_fingerprint ON verdict (fingerprint, drill, outcome);

CREATE TRIGGER verdict_is_kept BEFORE DELETE ON verdict
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;

CREATE TRIGGER verdict_stands BEFORE UPDATE ON verdict
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
