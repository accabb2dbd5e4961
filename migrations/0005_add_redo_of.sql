-- A run that measures part of an earlier one again names it. What is part of
-- what is written when the run is booked, and stays.

PRAGMA user_version = 5;

ALTER TABLE runs ADD COLUMN redo_of INTEGER REFERENCES runs (id);

CREATE TRIGGER runs_redo_stays BEFORE UPDATE OF redo_of ON runs
BEGIN SELECT RAISE(ABORT, 'runs: what a run measures again is never edited'); END;

DROP VIEW run_list;
CREATE VIEW run_list AS
SELECT id AS run, plan, lamp, unit, bench, state, program, readings, actions_done, actions,
       strftime('%Y-%m-%dT%H:%M:%S', booked_wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', booked_wall_us % 1000000) AS booked_utc,
       strftime('%Y-%m-%dT%H:%M:%S', begun_wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', begun_wall_us % 1000000) AS begun_utc,
       strftime('%Y-%m-%dT%H:%M:%S', ended_wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', ended_wall_us % 1000000) AS ended_utc,
       redo_of
FROM runs;
