-- For people with a database client: one row per thing, units in the names of
-- the columns, times as UTC text (ISO 8601) beside the whole microseconds.

PRAGMA user_version = 2;

CREATE VIEW run_list AS
SELECT id AS run, plan, lamp, unit, bench, state, program, readings, actions_done, actions,
       strftime('%Y-%m-%dT%H:%M:%S', booked_wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', booked_wall_us % 1000000) AS booked_utc,
       strftime('%Y-%m-%dT%H:%M:%S', begun_wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', begun_wall_us % 1000000) AS begun_utc,
       strftime('%Y-%m-%dT%H:%M:%S', ended_wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', ended_wall_us % 1000000) AS ended_utc
FROM runs;

-- Every illuminance reading of every run, superseded ones too. A reading
-- without a value has NULL, its status, and the meter's limit or the reason.
CREATE VIEW illuminance_readings AS
SELECT r.run, r.seq, u.plan, u.lamp, r.sample AS unit, r.firmware, u.bench,
       r.test, r.setting, r.position_nm / 1e9 AS position_m, r.position_nm / 25.4e6 AS position_in,
       r.purpose, r.visit, r.attempt, r.sitting,
       r.value AS illuminance_lx, r.outcome AS status, r.limit_value AS limit_lx, r.reason,
       r.range_top AS range_top_lx, r.flags, r.meter, r.certificate, r.calibration_due, r.origin,
       strftime('%Y-%m-%dT%H:%M:%S', r.taken_wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', r.taken_wall_us % 1000000) AS taken_utc,
       r.taken_wall_us, r.taken_mono_ns, r.key
FROM readings r JOIN runs u ON u.id = r.run
WHERE r.quantity = 'illuminance';

CREATE VIEW event_list AS
SELECT run, seq, kind, no AS action_no, attempt, sitting,
       strftime('%Y-%m-%dT%H:%M:%S', wall_us / 1000000, 'unixepoch')
           || printf('.%06dZ', wall_us % 1000000) AS at_utc,
       wall_us, mono_ns, body, lower(hex(link)) AS link
FROM events;
