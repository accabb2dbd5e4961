-- Spectra and waveforms: many numbers of one asking, beside their `captured`
-- event, whose line holds the digests of these bytes.

PRAGMA user_version = 11;

-- `raw`: the whole answer as it came. `axis_raw`: the answer from which its
-- wavelengths were read; NULL where the axis is even. How numbers lie in them is
-- in the event's line (`packing`, `axis-packing`).
CREATE TABLE captures (
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
    outcome          TEXT NOT NULL CHECK (outcome IN ('value', 'over', 'timed out', 'rejected')),
    numbers          INTEGER CHECK (numbers >= 0),
    reason           TEXT,
    raw              BLOB NOT NULL,
    digest           TEXT NOT NULL CHECK (length(digest) = 64),
    axis_raw         BLOB,
    axis_digest      TEXT CHECK (length(axis_digest) = 64),
    taken_mono_ns    INTEGER NOT NULL,
    taken_wall_us    INTEGER NOT NULL,
    certificate      TEXT,
    calibration_due  TEXT,
    sample           TEXT NOT NULL,
    firmware         TEXT,
    PRIMARY KEY (run, seq),
    FOREIGN KEY (run, seq) REFERENCES events (run, seq),
    CHECK ((outcome IN ('value', 'over')) = (numbers IS NOT NULL)),
    CHECK ((outcome = 'rejected') = (reason IS NOT NULL)),
    CHECK ((axis_raw IS NULL) = (axis_digest IS NULL))
) STRICT, WITHOUT ROWID;

CREATE TRIGGER captures_once BEFORE INSERT ON captures
WHEN EXISTS (SELECT 1 FROM captures WHERE run = NEW.run AND seq = NEW.seq)
BEGIN SELECT RAISE(ABORT, 'captures: a capture is never replaced'); END;
CREATE TRIGGER captures_no_update BEFORE UPDATE ON captures
BEGIN SELECT RAISE(ABORT, 'captures: a capture is never edited'); END;
CREATE TRIGGER captures_no_delete BEFORE DELETE ON captures
BEGIN SELECT RAISE(ABORT, 'captures: a capture is never deleted'); END;

-- For people with a database client.
CREATE VIEW capture_list AS
SELECT c.run, c.seq, u.plan, u.lamp, c.sample AS unit, c.firmware, u.bench, c.test, c.setting,
       c.position_nm / 1e9 AS position_m, c.purpose, c.visit, c.attempt, c.sitting, c.quantity,
       c.outcome AS status, c.numbers, c.reason, c.meter, c.certificate, c.calibration_due,
       length(c.raw) AS bytes, c.digest,
       strftime('%Y-%m-%dT%H:%M:%S', c.taken_wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', c.taken_wall_us % 1000000) AS taken_utc,
       c.key
FROM captures c JOIN runs u ON u.id = c.run;

CREATE VIEW power_readings AS
SELECT r.run, r.seq, u.plan, u.lamp, r.sample AS unit, r.firmware, u.bench, r.test, r.setting,
       r.purpose, r.visit, r.attempt, r.sitting, r.value AS power_w, r.outcome AS status, r.reason,
       r.meter, r.certificate, r.calibration_due,
       strftime('%Y-%m-%dT%H:%M:%S', r.taken_wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', r.taken_wall_us % 1000000) AS taken_utc,
       r.key
FROM readings r JOIN runs u ON u.id = r.run
WHERE r.quantity = 'power';
