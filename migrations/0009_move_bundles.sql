-- What a run froze has megabytes after a long plan is laid out, and its row
-- changes with every event: SQLite went through all of it each time, and past
-- all of it to list the runs. It gets a table of its own.

PRAGMA user_version = 9;

CREATE TABLE bundles (
    run     INTEGER PRIMARY KEY REFERENCES runs (id),
    -- Everything that the run froze; `runs.bundle_link` covers it. No CHECK: one
    -- that a disk damaged is moved as it is, and found by `store check`.
    bundle  TEXT NOT NULL
) STRICT;
INSERT INTO bundles (run, bundle) SELECT id, bundle FROM runs;

DROP TRIGGER runs_stay_frozen;
ALTER TABLE runs DROP COLUMN bundle;
CREATE TRIGGER runs_stay_frozen BEFORE UPDATE OF id, plan, lamp, unit, bench, program, placement,
    bundle_link, client_key, booked_wall_us, actions ON runs
WHEN EXISTS (SELECT 1 FROM events WHERE run = OLD.id)
BEGIN SELECT RAISE(ABORT, 'runs: what a run froze is never edited'); END;

CREATE TRIGGER bundles_stay_frozen BEFORE UPDATE ON bundles
WHEN NEW.run <> OLD.run OR EXISTS (SELECT 1 FROM events WHERE run = OLD.run)
BEGIN SELECT RAISE(ABORT, 'bundles: what a run froze is never edited'); END;
-- INSERT OR REPLACE deletes without asking the DELETE triggers.
CREATE TRIGGER bundles_once BEFORE INSERT ON bundles
WHEN EXISTS (SELECT 1 FROM bundles WHERE run = NEW.run)
BEGIN SELECT RAISE(ABORT, 'bundles: what a run froze is never replaced'); END;
CREATE TRIGGER bundles_no_delete BEFORE DELETE ON bundles
BEGIN SELECT RAISE(ABORT, 'bundles: what a run froze is never deleted'); END;
