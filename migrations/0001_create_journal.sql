-- The record of every run: what was booked, what happened, what was read.
-- Nothing of the journal is ever edited: triggers refuse UPDATE and DELETE,
-- whoever asks. Times: *_wall_us microseconds since 1970 UTC, *_mono_ns
-- nanoseconds on the sitting's monotonic clock. Lengths: nanometres.

PRAGMA application_id = 2003530348; -- "wkrl"
PRAGMA user_version = 1;            -- the newest migration in the file

-- Lamp models as sent, every version; the newest of a name is in force.
CREATE TABLE lamps (
    id         INTEGER PRIMARY KEY,
    name       TEXT NOT NULL,
    digest     TEXT NOT NULL CHECK (length(digest) = 64),
    lamp       TEXT NOT NULL CHECK (json_valid(lamp)),
    text_name  TEXT NOT NULL,
    text       TEXT NOT NULL
) STRICT;
CREATE INDEX lamps_by_name ON lamps (name, id);

-- Which unit stands where; the current ones have no end.
CREATE TABLE placements (
    id                    INTEGER PRIMARY KEY,
    unit                  TEXT NOT NULL,
    lamp                  TEXT NOT NULL,
    firmware              TEXT,
    bench                 TEXT NOT NULL,
    place                 TEXT NOT NULL,
    datum_nm              INTEGER NOT NULL,
    datum_uncertainty_nm  INTEGER NOT NULL,
    gauge_nm              INTEGER,
    fingers               TEXT NOT NULL CHECK (json_valid(fingers)),
    who                   TEXT NOT NULL,
    since_wall_us         INTEGER NOT NULL,
    ended_wall_us         INTEGER
) STRICT;
CREATE UNIQUE INDEX placements_one_per_place ON placements (bench, place) WHERE ended_wall_us IS NULL;
CREATE UNIQUE INDEX placements_one_per_unit ON placements (unit) WHERE ended_wall_us IS NULL;

-- One row per run. `bundle` is everything that it froze; state, times and
-- counts are a projection of its events, written in the same transaction. A run
-- without events may be frozen anew: nothing rests on it yet.
CREATE TABLE runs (
    id              INTEGER PRIMARY KEY AUTOINCREMENT,
    plan            TEXT NOT NULL,
    lamp            TEXT NOT NULL,
    unit            TEXT NOT NULL,
    bench           TEXT NOT NULL,
    program         TEXT NOT NULL,
    placement       INTEGER REFERENCES placements (id), -- none: the unit stood nowhere when it was booked
    bundle          TEXT NOT NULL CHECK (json_valid(bundle)),
    bundle_link     BLOB NOT NULL CHECK (length(bundle_link) = 32),
    client_key      TEXT UNIQUE,
    booked_wall_us  INTEGER NOT NULL,
    begun_wall_us   INTEGER,
    ended_wall_us   INTEGER,
    state           TEXT NOT NULL CHECK (state IN ('waiting', 'measuring', 'held', 'complete',
                                                   'complete with gaps', 'stopped', 'failed')),
    why             TEXT, -- why a run that has not begun is held
    readings        INTEGER NOT NULL DEFAULT 0,
    actions_done    INTEGER NOT NULL DEFAULT 0,
    actions         INTEGER NOT NULL
) STRICT;
CREATE INDEX runs_by_state ON runs (state);

-- One row per event. `line` is the canonical text that `link` covers.
CREATE TABLE events (
    run      INTEGER NOT NULL REFERENCES runs (id),
    seq      INTEGER NOT NULL CHECK (seq >= 1),
    kind     TEXT NOT NULL,
    no       INTEGER,
    attempt  INTEGER NOT NULL,
    sitting  INTEGER NOT NULL,
    mono_ns  INTEGER NOT NULL,
    wall_us  INTEGER NOT NULL,
    line     TEXT NOT NULL,
    body     TEXT GENERATED ALWAYS AS (json_extract(line, '$.body')) VIRTUAL,
    link     BLOB NOT NULL CHECK (length(link) = 32),
    boot     TEXT NOT NULL,
    PRIMARY KEY (run, seq)
) STRICT, WITHOUT ROWID;

-- One row per reading, beside its `taken` event. `outcome` says which of
-- `value`, `limit_value` and `reason` holds; none of them is ever a zero that
-- means something else.
CREATE TABLE readings (
    run              INTEGER NOT NULL,
    seq              INTEGER NOT NULL,
    no               INTEGER NOT NULL,
    attempt          INTEGER NOT NULL,
    sitting          INTEGER NOT NULL,
    key              TEXT NOT NULL,
    test             TEXT NOT NULL,
    setting          TEXT NOT NULL,
    position_nm      INTEGER NOT NULL,
    purpose          TEXT NOT NULL,
    visit            INTEGER NOT NULL,
    meter            TEXT NOT NULL,
    quantity         TEXT NOT NULL,
    outcome          TEXT NOT NULL CHECK (outcome IN ('value', 'over', 'under', 'timed out', 'rejected')),
    value            REAL,
    unit             TEXT NOT NULL,
    limit_value      REAL,
    reason           TEXT,
    range_top        REAL,
    flags            TEXT NOT NULL CHECK (json_valid(flags)),
    raw              BLOB NOT NULL,
    asked_mono_ns    INTEGER NOT NULL,
    taken_mono_ns    INTEGER NOT NULL,
    asked_wall_us    INTEGER NOT NULL,
    taken_wall_us    INTEGER NOT NULL,
    certificate      TEXT,
    calibration_due  TEXT,
    sample           TEXT NOT NULL,
    firmware         TEXT,
    origin           TEXT NOT NULL CHECK (origin IN ('measured', 'entered', 'imported')),
    PRIMARY KEY (run, seq),
    FOREIGN KEY (run, seq) REFERENCES events (run, seq),
    CHECK ((outcome = 'value') = (value IS NOT NULL)),
    CHECK ((outcome IN ('over', 'under')) = (limit_value IS NOT NULL)),
    CHECK ((outcome = 'rejected') = (reason IS NOT NULL))
) STRICT, WITHOUT ROWID;

-- INSERT OR REPLACE deletes without asking the DELETE triggers, so the number
-- itself is checked: the next event is the only one that can be written.
CREATE TRIGGER events_in_order BEFORE INSERT ON events
WHEN NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM events WHERE run = NEW.run)
BEGIN SELECT RAISE(ABORT, 'events: the journal is append-only, without gaps'); END;
CREATE TRIGGER events_no_update BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'events: the journal is never edited'); END;
CREATE TRIGGER events_no_delete BEFORE DELETE ON events
BEGIN SELECT RAISE(ABORT, 'events: the journal is never edited'); END;
CREATE TRIGGER readings_once BEFORE INSERT ON readings
WHEN EXISTS (SELECT 1 FROM readings WHERE run = NEW.run AND seq = NEW.seq)
BEGIN SELECT RAISE(ABORT, 'readings: a reading is never replaced'); END;
CREATE TRIGGER readings_no_update BEFORE UPDATE ON readings
BEGIN SELECT RAISE(ABORT, 'readings: a reading is never edited'); END;
CREATE TRIGGER readings_no_delete BEFORE DELETE ON readings
BEGIN SELECT RAISE(ABORT, 'readings: a reading is never edited'); END;
CREATE TRIGGER runs_stay_frozen BEFORE UPDATE OF id, plan, lamp, unit, bench, program, placement,
    bundle, bundle_link, client_key, booked_wall_us, actions ON runs
WHEN EXISTS (SELECT 1 FROM events WHERE run = OLD.id)
BEGIN SELECT RAISE(ABORT, 'runs: what a run froze is never edited'); END;
CREATE TRIGGER runs_no_delete BEFORE DELETE ON runs
BEGIN SELECT RAISE(ABORT, 'runs: a run is never deleted'); END;
