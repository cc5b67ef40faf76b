-- Every verdict has its place in one chain, and its signature, so that none can be altered or taken out unnoticed.

CREATE TABLE chain (
    number   INTEGER PRIMARY KEY CHECK (number > 0),  -- without holes
    run_id   TEXT NOT NULL UNIQUE REFERENCES verdict (run_id),
    link     TEXT,                 -- SHA-256 that the next one names; NULL where it was not signed in its time
    envelope TEXT,                 -- DSSE, as canonical JSON
    unsigned TEXT,                 -- why there is none
    CHECK ((envelope IS NULL) <> (unsigned IS NULL))
) STRICT;

CREATE TABLE bench_key (           -- every key that has signed something here
    keyid  TEXT PRIMARY KEY,
    public TEXT NOT NULL           -- PEM
) STRICT;

INSERT INTO chain (number, run_id, unsigned)
SELECT row_number() OVER (ORDER BY finished_utc, run_id), run_id, 'it was made before verdicts were signed'
FROM verdict;

CREATE TRIGGER link_is_kept BEFORE DELETE ON chain
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;

CREATE TRIGGER link_stands BEFORE UPDATE ON chain
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;

CREATE TRIGGER key_is_kept BEFORE DELETE ON bench_key
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;

CREATE TRIGGER key_stands BEFORE UPDATE ON bench_key
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
