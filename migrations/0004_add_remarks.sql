-- What a person says of a run after the fact: notes, and readings that are set
-- aside. The attendant alone writes a run's journal, so remarks have a table
-- and a chain of their own: the first link covers the run's bundle, each later
-- one the link before and its own line. Nothing is edited, nothing deleted.

PRAGMA user_version = 4;

-- `line` is the canonical text that `link` covers; the other columns are read
-- out of it.
CREATE TABLE remarks (
    run      INTEGER NOT NULL REFERENCES runs (id),
    no       INTEGER NOT NULL CHECK (no >= 1),
    line     TEXT NOT NULL CHECK (json_valid(line)),
    link     BLOB NOT NULL CHECK (length(link) = 32),
    kind     TEXT GENERATED ALWAYS AS (json_extract(line, '$.kind')) VIRTUAL
                 CHECK (kind IN ('note', 'set aside')),
    text     TEXT GENERATED ALWAYS AS (json_extract(line, '$.text')) VIRTUAL,
    who      TEXT GENERATED ALWAYS AS (json_extract(line, '$.who')) VIRTUAL,
    wall_us  INTEGER GENERATED ALWAYS AS (json_extract(line, '$.wall_us')) VIRTUAL,
    PRIMARY KEY (run, no)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER remarks_in_order BEFORE INSERT ON remarks
WHEN NEW.no <> (SELECT coalesce(max(no), 0) + 1 FROM remarks WHERE run = NEW.run)
BEGIN SELECT RAISE(ABORT, 'remarks: they are append-only, without gaps'); END;
CREATE TRIGGER remarks_need_events BEFORE INSERT ON remarks
WHEN NOT EXISTS (SELECT 1 FROM events WHERE run = NEW.run)
BEGIN SELECT RAISE(ABORT, 'remarks: the run has not begun'); END;
CREATE TRIGGER remarks_no_update BEFORE UPDATE ON remarks
BEGIN SELECT RAISE(ABORT, 'remarks: a remark is never edited'); END;
CREATE TRIGGER remarks_no_delete BEFORE DELETE ON remarks
BEGIN SELECT RAISE(ABORT, 'remarks: a remark is never deleted'); END;

-- Which remarks a round of rulings had before it: it says which readings were
-- set aside when it ruled.
ALTER TABLE rulings ADD COLUMN last_remark INTEGER NOT NULL DEFAULT 0;

CREATE VIEW remark_list AS
SELECT r.run, r.no AS remark, u.plan, u.lamp, u.unit, r.kind, r.text, r.who,
       strftime('%Y-%m-%dT%H:%M:%S', r.wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', r.wall_us % 1000000) AS said_utc,
       r.wall_us, lower(hex(r.link)) AS link
FROM remarks r JOIN runs u ON u.id = r.run;

-- One row for each reading that was set aside.
CREATE VIEW readings_set_aside AS
SELECT r.run, json_extract(e.value, '$.seq') AS seq, r.no AS remark,
       json_extract(e.value, '$.key') AS key, r.text AS because, r.who
FROM remarks r, json_each(r.line, '$.readings') e
WHERE r.kind = 'set aside';

-- As before, but a reading that was set aside says so: whoever averages the
-- rows with the status `value` leaves it out.
DROP VIEW illuminance_readings;
CREATE VIEW illuminance_readings AS
SELECT r.run, r.seq, u.plan, u.lamp, r.sample AS unit, r.firmware, u.bench,
       r.test, r.setting, r.position_nm / 1e9 AS position_m, r.position_nm / 25.4e6 AS position_in,
       r.purpose, r.visit, r.attempt, r.sitting,
       r.value AS illuminance_lx,
       CASE WHEN a.seq IS NULL THEN r.outcome ELSE 'set aside' END AS status,
       r.limit_value AS limit_lx, coalesce(a.because, r.reason) AS reason,
       r.range_top AS range_top_lx, r.flags, r.meter, r.certificate, r.calibration_due, r.origin,
       strftime('%Y-%m-%dT%H:%M:%S', r.taken_wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', r.taken_wall_us % 1000000) AS taken_utc,
       r.taken_wall_us, r.taken_mono_ns, r.key
FROM readings r JOIN runs u ON u.id = r.run
LEFT JOIN readings_set_aside a ON a.run = r.run AND a.seq = r.seq
WHERE r.quantity = 'illuminance';
