-- name: insert_run
-- A run exists before anything is loaded.
INSERT INTO run (run_id, started_utc, boot_id, drill, state, record, entry_id) VALUES (?, ?, ?, ?, ?, ?, ?);

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

-- name: insert_entry
-- The new entry takes the last place.
INSERT INTO entry (entry_id, created_utc, place, priority, state, due_utc, plan, sheet, series, reason, request)
VALUES (?, ?, (SELECT coalesce(max(place), 0) + 1 FROM entry), ?, ?, ?, ?, ?, ?, ?, ?);

-- name: list_entries
-- What still matters first: running, then by order of start; ended ones last, newest first.
SELECT entry_id, created_utc, place, priority, state, due_utc, plan, sheet, series, runs_done, last_run, reason
FROM entry
ORDER BY state NOT IN ('running'), state NOT IN ('waiting', 'held'), priority DESC, due_utc IS NULL, due_utc, place
LIMIT ?;

-- name: find_entry
SELECT entry_id, created_utc, place, state, due_utc, runs_done, last_run, reason, request
FROM entry WHERE instr(entry_id, ?) = 1 LIMIT 2;

-- name: entries_in_state
SELECT entry_id, created_utc, place, state, due_utc, runs_done, last_run, reason, request
FROM entry WHERE state = ? ORDER BY priority DESC, due_utc, place;

-- name: next_entry
-- The one that may start now: highest priority, then longest due, then place.
SELECT entry_id, created_utc, place, state, due_utc, runs_done, last_run, reason, request
FROM entry WHERE state = 'waiting' AND due_utc <= ? ORDER BY priority DESC, due_utc, place LIMIT 1;

-- name: earliest_due
SELECT min(due_utc) FROM entry WHERE state = 'waiting';

-- name: move_entry
-- Only a legal transition matches a row.
UPDATE entry SET state = :after, reason = :reason WHERE entry_id = :entry_id AND state = :before;

-- name: end_entry_run
UPDATE entry SET state = :after, runs_done = runs_done + 1, last_run = :run_id, due_utc = :due_utc
WHERE entry_id = :entry_id AND state = :before;

-- name: set_due
UPDATE entry SET due_utc = :due_utc WHERE entry_id = :entry_id AND state = :before;

-- name: set_place
UPDATE entry SET place = :place, priority = :priority WHERE entry_id = :entry_id AND state IN ('waiting', 'held');

-- name: entry_of_run
SELECT entry_id FROM run WHERE run_id = ?;
