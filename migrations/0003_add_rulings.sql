-- What scripts made of a run: rulings of criteria, figures of metrics. A run
-- may be ruled on again (another limit, script or certificate): that is a new
-- round beside the old ones, never an edit.

PRAGMA user_version = 3;

-- The text of every script that ever ruled, by its SHA-256.
CREATE TABLE scripts (
    digest  TEXT PRIMARY KEY CHECK (length(digest) = 64),
    text    TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- One row for each criterion and metric of a round. `word` is none of a
-- metric; `value` is none where nothing is known, and `reason` says why.
CREATE TABLE rulings (
    id             INTEGER PRIMARY KEY AUTOINCREMENT,
    run            INTEGER NOT NULL REFERENCES runs (id),
    round          INTEGER NOT NULL CHECK (round >= 1),
    cause          TEXT NOT NULL,
    name           TEXT NOT NULL,
    purpose        TEXT NOT NULL CHECK (purpose IN ('criterion', 'metric')),
    test           TEXT NOT NULL,
    script         TEXT NOT NULL,
    script_digest  TEXT NOT NULL REFERENCES scripts (digest),
    given          TEXT NOT NULL CHECK (json_valid(given)),
    word           TEXT CHECK (word IN ('pass', 'conditional pass', 'conditional fail', 'fail', 'undecided')),
    value          REAL,
    unit           TEXT NOT NULL,
    expanded       REAL,
    at_least       REAL,
    at_most        REAL,
    rule           TEXT NOT NULL,
    reason         TEXT NOT NULL,
    estimate       TEXT CHECK (estimate IS NULL OR json_valid(estimate)),
    rests_on       TEXT NOT NULL CHECK (json_valid(rests_on)),
    last_seq       INTEGER NOT NULL,
    last_link      BLOB NOT NULL CHECK (length(last_link) = 32),
    unfinished     INTEGER NOT NULL CHECK (unfinished IN (0, 1)),
    certificate    TEXT,
    program        TEXT NOT NULL,
    ruled_wall_us  INTEGER NOT NULL,
    CHECK ((purpose = 'criterion') = (word IS NOT NULL))
) STRICT;
CREATE INDEX rulings_by_run ON rulings (run, round);

CREATE TRIGGER rulings_once BEFORE INSERT ON rulings
WHEN NEW.id IS NOT NULL AND EXISTS (SELECT 1 FROM rulings WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'rulings: a ruling is never replaced'); END;
CREATE TRIGGER rulings_no_update BEFORE UPDATE ON rulings
BEGIN SELECT RAISE(ABORT, 'rulings: a ruling is never edited; rule again'); END;
CREATE TRIGGER rulings_no_delete BEFORE DELETE ON rulings
BEGIN SELECT RAISE(ABORT, 'rulings: a ruling is never deleted'); END;
CREATE TRIGGER scripts_no_update BEFORE UPDATE ON scripts
BEGIN SELECT RAISE(ABORT, 'scripts: the text of a script is never edited'); END;
CREATE TRIGGER scripts_no_delete BEFORE DELETE ON scripts
BEGIN SELECT RAISE(ABORT, 'scripts: the text of a script is never deleted'); END;

CREATE VIEW ruling_list AS
SELECT r.id AS ruling, r.run, u.plan, u.lamp, u.unit, r.round, r.cause, r.name, r.purpose, r.test,
       r.word, r.value, r.expanded AS expanded_uncertainty, r.unit AS unit_of_value,
       r.at_least, r.at_most, r.rule, r.reason, r.script, r.script_digest, r.given,
       r.unfinished, r.certificate, r.program,
       strftime('%Y-%m-%dT%H:%M:%S', r.ruled_wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', r.ruled_wall_us % 1000000) AS ruled_utc,
       r.round = (SELECT max(round) FROM rulings l WHERE l.run = r.run) AS is_latest
FROM rulings r JOIN runs u ON u.id = r.run;
