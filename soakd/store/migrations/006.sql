-- What each set of settings is called, was made from and declares, so that a ledger of any length is put in order without
-- opening its verdicts.

CREATE TABLE trial (
    fingerprint TEXT PRIMARY KEY,
    name        TEXT NOT NULL,
    parent      TEXT,           -- name of the trial that it was made from
    sheet       TEXT NOT NULL   -- as JSON
) STRICT;

CREATE INDEX trial_by_name ON trial (name);

INSERT INTO trial (fingerprint, name, parent, sheet)
SELECT fingerprint, sheet, json_extract(body, '$.sheet.parent'), json_extract(body, '$.sheet')
FROM verdict WHERE run_id IN (
    SELECT run_id FROM (SELECT run_id, max(finished_utc) FROM verdict WHERE sheet IS NOT NULL GROUP BY fingerprint)
)
ORDER BY finished_utc;

CREATE INDEX verdict_by_sheet ON verdict (sheet, finished_utc, outcome, drill);
