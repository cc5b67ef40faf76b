-- name: insert_run
-- A run exists before anything is loaded.
INSERT INTO run (run_id, started_utc, boot_id, drill, state, record) VALUES (?, ?, ?, ?, ?, ?);

-- name: move_run
-- Only a legal transition matches a row.
UPDATE run SET state = :after WHERE run_id = :run_id AND state = :before;

-- name: run_state
SELECT state FROM run WHERE run_id = ?;

-- name: unfinished_runs
-- Oldest first.
SELECT record FROM run WHERE state <> 'finished' ORDER BY started_utc;

-- name: insert_event
INSERT INTO event (run_id, number, at_s, body) VALUES (?, ?, ?, ?);

-- name: events_of_run
SELECT body FROM event WHERE run_id = ? ORDER BY number;

-- name: insert_tick
INSERT INTO tick (run_id, number, at_s, late_s, stage, readings, gaps) VALUES (?, ?, ?, ?, ?, ?, ?);

-- name: ticks_of_run
SELECT number, at_s, late_s, stage, readings, gaps FROM tick WHERE run_id = ? ORDER BY number;

-- name: put_worker
INSERT INTO worker (run_id, stage, core, totals) VALUES (?, ?, ?, ?)
ON CONFLICT (run_id, stage, core) DO UPDATE SET totals = excluded.totals;

-- name: workers_of_run
SELECT stage, totals FROM worker WHERE run_id = ? ORDER BY stage, core;

-- name: insert_verdict
INSERT INTO verdict (run_id, finished_utc, plan, sheet, outcome, reason, fingerprint, drill, body)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?);

-- name: list_verdicts
-- Newest first; the body stays where it is.
SELECT run_id, finished_utc, plan, sheet, outcome, reason, fingerprint, drill
FROM verdict ORDER BY finished_utc DESC, run_id DESC LIMIT ?;

-- name: find_verdicts
-- By the beginning of the identifier; two rows are enough to know that it is ambiguous.
SELECT run_id, body FROM verdict WHERE instr(run_id, ?) = 1 LIMIT 2;

-- name: newest_verdict
SELECT run_id, body FROM verdict ORDER BY finished_utc DESC, run_id DESC LIMIT 1;
