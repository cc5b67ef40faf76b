-- The queue: entries are the truth about what is to run; the alarm is rebuilt from them at every start.

CREATE TABLE entry (
    entry_id    TEXT PRIMARY KEY,
    created_utc TEXT NOT NULL,
    place       INT  NOT NULL,  -- order within one priority
    priority    INT  NOT NULL,
    state       TEXT NOT NULL CHECK (state IN ('waiting', 'held', 'running', 'done', 'cancelled', 'missed')),
    due_utc     TEXT,           -- earliest next start; NULL while it hangs on an event
    plan        TEXT NOT NULL,  -- names, for listings
    sheet       TEXT,
    series      TEXT,
    runs_done   INT  NOT NULL DEFAULT 0,
    last_run    TEXT,
    reason      TEXT,
    hook_on     INT  NOT NULL DEFAULT 0 CHECK (hook_on IN (0, 1)), -- its hook was called and has not been undone
    request     TEXT NOT NULL   -- plan, sheet and when as they were at the time of adding, as JSON
) STRICT;

CREATE INDEX entry_next ON entry (state, priority DESC, due_utc, place);
CREATE INDEX entry_series ON entry (series, state) WHERE series IS NOT NULL;

ALTER TABLE run ADD COLUMN entry_id TEXT REFERENCES entry (entry_id);
