-- A set-aside that was a mistake is taken back by a third kind of remark: both
-- stay in the record, and the readings count again.

PRAGMA user_version = 7;

-- Views that name the column are made again below; its CHECK goes with it, the
-- lines that it is read out of stay as they are.
DROP VIEW illuminance_readings;
DROP VIEW readings_set_aside;
DROP VIEW remark_list;
ALTER TABLE remarks DROP COLUMN kind;
ALTER TABLE remarks ADD COLUMN kind TEXT
    GENERATED ALWAYS AS (json_extract(line, '$.kind')) VIRTUAL
    CHECK (kind IN ('note', 'set aside', 'taken back'));

CREATE VIEW remark_list AS
SELECT r.run, r.no AS remark, u.plan, u.lamp, u.unit, r.kind, r.text, r.who,
       strftime('%Y-%m-%dT%H:%M:%S', r.wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', r.wall_us % 1000000) AS said_utc,
       r.wall_us, lower(hex(r.link)) AS link
FROM remarks r JOIN runs u ON u.id = r.run;

-- One row for each reading that is set aside now: no later remark took it back.
CREATE VIEW readings_set_aside AS
SELECT r.run, json_extract(e.value, '$.seq') AS seq, r.no AS remark,
       json_extract(e.value, '$.key') AS key, r.text AS because, r.who
FROM remarks r, json_each(r.line, '$.readings') e
WHERE r.kind = 'set aside' AND NOT EXISTS (
    SELECT 1 FROM remarks b, json_each(b.line, '$.readings') t
    WHERE b.run = r.run AND b.no > r.no AND b.kind = 'taken back'
        AND json_extract(t.value, '$.seq') = json_extract(e.value, '$.seq'));

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
