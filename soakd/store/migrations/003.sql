-- Messages on their way to somebody, and which runs have been thinned.

CREATE TABLE message (
    message_id  INTEGER PRIMARY KEY,
    created_utc TEXT NOT NULL,
    occasion    TEXT NOT NULL,
    target      TEXT NOT NULL,          -- by name; the address stays in the configuration
    subject     TEXT NOT NULL,
    body        TEXT NOT NULL,
    urgent      INT  NOT NULL CHECK (urgent IN (0, 1)), -- goes out in a quiet time too
    attempt     INT  NOT NULL DEFAULT 0, -- how often it has been tried
    next_at_utc TEXT,                   -- earliest next try; NULL once it was sent or given up
    sent_utc    TEXT,
    error       TEXT                    -- of the last try
) STRICT;

CREATE INDEX message_due ON message (next_at_utc) WHERE next_at_utc IS NOT NULL;

ALTER TABLE run ADD COLUMN thinned_utc TEXT;
