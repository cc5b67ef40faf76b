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
INSERT INTO tick (run_id, number, at_s, late_s, stage, readings, gaps, progress) VALUES (?, ?, ?, ?, ?, ?, ?, ?);

-- name: ticks_of_run
SELECT number, at_s, late_s, stage, readings, gaps, progress FROM tick WHERE run_id = ? ORDER BY number;

-- name: events_since
SELECT number, body FROM event WHERE run_id = ? AND number > ? ORDER BY number;

-- name: ticks_since
SELECT number, at_s, late_s, stage, readings, gaps, progress FROM tick
WHERE run_id = ? AND number > ? ORDER BY number LIMIT ?;

-- name: workers_of_stage
SELECT totals FROM worker WHERE run_id = ? AND stage = ? ORDER BY core;

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

-- name: put_trial
INSERT INTO trial (fingerprint, name, parent, sheet) VALUES (?, ?, ?, ?)
ON CONFLICT (fingerprint) DO UPDATE SET parent = excluded.parent, sheet = excluded.sheet;

-- name: parents
-- Of each sheet that was made from another, the newest of its name.
SELECT name, parent FROM trial WHERE rowid IN (SELECT max(rowid) FROM trial GROUP BY name) AND parent IS NOT NULL;

-- name: sheets_of_trials
SELECT name, sheet FROM trial WHERE rowid IN (SELECT max(rowid) FROM trial GROUP BY name);

-- name: sheet_of_trial
SELECT sheet FROM trial WHERE name = ? ORDER BY rowid DESC LIMIT 1;

-- name: trials_found
-- Newest first.
SELECT sheet, max(finished_utc), sum(drill = 0 AND outcome = 'pass'), sum(drill = 0 AND outcome = 'fail'),
    sum(drill = 0 AND outcome = 'inconclusive'), sum(drill)
FROM verdict
WHERE (:outcome IS NULL OR outcome = :outcome) AND finished_utc >= :since AND finished_utc < :until
    AND (:names IS NULL OR sheet IN (SELECT value FROM json_each(:names)))
GROUP BY sheet ORDER BY max(finished_utc) DESC;

-- name: verdicts_of_trial
-- Newest first. Whether there is an envelope is known without reading it.
SELECT verdict.run_id, finished_utc, plan, sheet, outcome, reason, fingerprint, drill, envelope IS NOT NULL
FROM verdict LEFT JOIN chain ON chain.run_id = verdict.run_id
WHERE sheet IS :name AND (:outcome IS NULL OR outcome = :outcome) AND finished_utc >= :since AND finished_utc < :until
ORDER BY finished_utc DESC, verdict.run_id DESC LIMIT :most OFFSET :skip;

-- name: verdict_line
SELECT verdict.run_id, finished_utc, plan, sheet, outcome, reason, fingerprint, drill, envelope IS NOT NULL
FROM verdict LEFT JOIN chain ON chain.run_id = verdict.run_id WHERE verdict.run_id = ?;

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
-- Running, then by order of start: what is due already goes by priority and place.
SELECT entry_id, created_utc, place, priority, state, due_utc, plan, sheet, series, runs_done, last_run, reason
FROM entry WHERE state IN ('running', 'waiting', 'held')
ORDER BY state <> 'running', due_utc IS NULL, max(due_utc, strftime('%Y-%m-%dT%H:%M:%fZ', 'now')), priority DESC, place
LIMIT ?;

-- name: entries_to_come
-- Running ones first, then by rank.
SELECT entry_id, created_utc, place, priority, state, due_utc, runs_done, last_run, reason, request
FROM entry WHERE state IN ('running', 'waiting', 'held') ORDER BY state <> 'running', priority DESC, place LIMIT ?;

-- name: entries_that_ended
-- Newest first.
SELECT entry_id, created_utc, place, priority, state, due_utc, plan, sheet, series, runs_done, last_run, reason
FROM entry WHERE state NOT IN ('running', 'waiting', 'held') ORDER BY created_utc DESC, place DESC LIMIT ?;

-- name: find_entry
SELECT entry_id, created_utc, place, priority, state, due_utc, runs_done, last_run, reason, request
FROM entry WHERE instr(entry_id, ?) = 1 LIMIT 2;

-- name: next_entry
-- The one that may start now: highest priority, then place, then longest due.
SELECT entry_id, created_utc, place, priority, state, due_utc, runs_done, last_run, reason, request
FROM entry WHERE state = 'waiting' AND due_utc <= ? ORDER BY priority DESC, place, due_utc LIMIT 1;

-- name: due_entries
SELECT entry_id, created_utc, place, priority, state, due_utc, runs_done, last_run, reason, request
FROM entry WHERE state = 'waiting' AND due_utc <= ? ORDER BY due_utc, place;

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

-- name: entries_without_due
-- Those that hang on an event: another entry, or the next start of the machine.
SELECT entry_id, created_utc, place, priority, state, due_utc, runs_done, last_run, reason, request
FROM entry WHERE state = 'waiting' AND due_utc IS NULL ORDER BY place;

-- name: entries_of_series
SELECT entry_id, created_utc, place, priority, state, due_utc, runs_done, last_run, reason, request
FROM entry WHERE series = ? AND state IN ('waiting', 'held') ORDER BY place;

-- name: count_entries
SELECT state, count(*) FROM entry GROUP BY state;

-- name: outcome_of_run
SELECT outcome FROM verdict WHERE run_id = ?;

-- name: insert_message
INSERT INTO message (created_utc, occasion, target, subject, body, urgent, next_at_utc) VALUES (?, ?, ?, ?, ?, ?, ?);

-- name: due_messages
-- Oldest first, so that what happened first is told first.
SELECT message_id, created_utc, occasion, target, subject, body, urgent, attempt, next_at_utc
FROM message WHERE next_at_utc <= ? ORDER BY message_id;

-- name: message_sent
UPDATE message SET sent_utc = ?, attempt = attempt + 1, next_at_utc = NULL, error = NULL WHERE message_id = ?;

-- name: message_failed
-- Without a next moment it is given up. A late success stands.
UPDATE message SET next_at_utc = ?, attempt = attempt + 1, error = ? WHERE message_id = ? AND sent_utc IS NULL;

-- name: message_put_off
-- Not an attempt.
UPDATE message SET next_at_utc = ? WHERE message_id = ?;

-- name: list_messages
SELECT message_id, created_utc, occasion, target, subject, body, urgent, attempt, next_at_utc, sent_utc, error
FROM message ORDER BY message_id DESC LIMIT ?;

-- name: count_messages
SELECT count(*) FILTER (WHERE next_at_utc IS NOT NULL),
    count(*) FILTER (WHERE sent_utc IS NOT NULL),
    count(*) FILTER (WHERE next_at_utc IS NULL AND sent_utc IS NULL)
FROM message;

-- name: lost_to_target
-- Given up since the last one that got through.
WITH own AS (SELECT message_id, next_at_utc, sent_utc FROM message WHERE target = ?)
SELECT count(*) FROM own
WHERE next_at_utc IS NULL AND sent_utc IS NULL
    AND message_id > (SELECT coalesce(max(message_id), 0) FROM own WHERE sent_utc IS NOT NULL);

-- name: forget_messages
DELETE FROM message WHERE next_at_utc IS NULL AND created_utc < ?;

-- name: runs_to_thin
-- Oldest first.
SELECT run.run_id FROM run JOIN verdict ON verdict.run_id = run.run_id
WHERE run.state = 'finished' AND run.thinned_utc IS NULL AND verdict.finished_utc < ?
ORDER BY verdict.finished_utc, run.run_id;

-- name: tick_span
SELECT min(number), max(number), count(*) FROM tick WHERE run_id = ?;

-- name: ticks_of_window
SELECT number, stage, readings FROM tick WHERE run_id = ? AND number >= ? AND number < ? ORDER BY number;

-- name: thin_window
DELETE FROM tick
WHERE run_id = :run_id AND number >= :first AND number < :beyond
    AND number NOT IN (SELECT value FROM json_each(:kept));

-- name: mark_thinned
UPDATE run SET thinned_utc = :now_utc WHERE run_id = :run_id AND state = 'finished';

-- name: free_pages
PRAGMA freelist_count;

-- name: checkpoint
-- Passive: it never waits for a reader.
PRAGMA wal_checkpoint(PASSIVE);

-- name: upcoming_entry
SELECT entry_id, plan, due_utc FROM entry
WHERE state = 'waiting' AND due_utc IS NOT NULL ORDER BY due_utc, priority DESC, place LIMIT 1;

-- name: newest_of_passed
-- Of each fingerprint that has passed the newest pass or fail: many nights of one trial hide no other trial.
SELECT body FROM verdict WHERE run_id IN (
    SELECT run_id FROM (
        SELECT run_id, max(finished_utc || run_id) AS newest FROM verdict
        WHERE outcome <> 'inconclusive' AND drill = 0 GROUP BY fingerprint HAVING sum(outcome = 'pass') > 0
    ) ORDER BY newest DESC LIMIT ?
) ORDER BY finished_utc DESC, run_id DESC;

-- name: set_hook
UPDATE entry SET hook_on = :hook_on WHERE entry_id = :entry_id;

-- name: entries_with_hook_on
SELECT entry_id, created_utc, place, priority, state, due_utc, runs_done, last_run, reason, request
FROM entry WHERE hook_on = 1 ORDER BY place;

-- name: boot_of_run
SELECT boot_id FROM run WHERE run_id = ?;

-- name: record_of_run
SELECT record FROM run WHERE run_id = ?;

-- name: thinned_of_run
-- When retention thinned its ticks; nothing where it did not.
SELECT thinned_utc FROM run WHERE run_id = ?;

-- name: insert_link
INSERT INTO chain (number, run_id, link, envelope, unsigned) VALUES (?, ?, ?, ?, ?);

-- name: newest_link
SELECT number, link FROM chain ORDER BY number DESC LIMIT 1;

-- name: links_after
-- In order, a page at a time. What was taken out beside the chain is NULL.
SELECT chain.number, chain.run_id, chain.link, chain.envelope, chain.unsigned, run.record, verdict.body,
    verdict.run_id, verdict.finished_utc, verdict.plan, verdict.sheet, verdict.outcome, verdict.reason,
    verdict.fingerprint, verdict.drill
FROM chain LEFT JOIN verdict ON verdict.run_id = chain.run_id LEFT JOIN run ON run.run_id = chain.run_id
WHERE chain.number > ? ORDER BY chain.number LIMIT 50;

-- name: number_of_run
SELECT number FROM chain WHERE run_id = ?;

-- name: signed_verdicts
-- Of the newest ones.
SELECT run_id FROM chain WHERE envelope IS NOT NULL
    AND run_id IN (SELECT run_id FROM verdict ORDER BY finished_utc DESC, run_id DESC LIMIT ?);

-- name: outside_chain
-- Verdicts without a place in the chain, and finished runs without a verdict.
SELECT run_id, 1 FROM verdict WHERE run_id NOT IN (SELECT run_id FROM chain WHERE number > 0)
UNION ALL
SELECT run_id, 0 FROM run WHERE state = 'finished' AND run_id NOT IN (SELECT run_id FROM verdict)
ORDER BY run_id;

-- name: has_chain
-- A journal that an older soakd wrote has none before the next run.
SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = 'chain';

-- name: insert_key
INSERT INTO bench_key (keyid, public) VALUES (?, ?) ON CONFLICT (keyid) DO NOTHING;

-- name: bench_keys
-- Oldest first.
SELECT public FROM bench_key ORDER BY rowid;
