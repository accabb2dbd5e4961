-- What went over the links of devices in a run, where the bench file says that it
-- is kept: pieces of text, compressed, each an attachment under its SHA-256. No
-- figure rests on them. A piece that could not be written is missing, and
-- `begins_at_byte` of the next one tells how much.

PRAGMA user_version = 10;

-- `content`: zlib (RFC 1950); `digest` is of these bytes.
CREATE TABLE attachments (
    id       INTEGER PRIMARY KEY,
    digest   TEXT NOT NULL UNIQUE CHECK (length(digest) = 64),
    content  BLOB NOT NULL
) STRICT;

-- `no` counts the pieces of a run's device, from 1. Times: nanoseconds since the
-- run began. `begins_at_byte`: bytes that went over the link in this sitting
-- before the piece. `not_kept_bytes`: those after it that came too fast.
-- `is_full`: the run's limit for the device is reached, and this piece, without
-- bytes, is its last. All of it stands in the first line of the content too.
CREATE TABLE traffic (
    run             INTEGER NOT NULL REFERENCES runs (id),
    device          TEXT NOT NULL,
    no              INTEGER NOT NULL CHECK (no >= 1),
    sitting         INTEGER NOT NULL,
    from_ns         INTEGER NOT NULL,
    to_ns           INTEGER NOT NULL,
    begins_at_byte  INTEGER NOT NULL,
    bytes           INTEGER NOT NULL,
    not_kept_bytes  INTEGER NOT NULL,
    is_full         INTEGER NOT NULL CHECK (is_full IN (0, 1)),
    digest          TEXT NOT NULL REFERENCES attachments (digest),
    PRIMARY KEY (run, device, no)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER traffic_in_order BEFORE INSERT ON traffic
WHEN NEW.no <> (SELECT coalesce(max(no), 0) + 1 FROM traffic WHERE run = NEW.run AND device = NEW.device)
BEGIN SELECT RAISE(ABORT, 'traffic: it is append-only, without gaps'); END;
CREATE TRIGGER traffic_no_update BEFORE UPDATE ON traffic
BEGIN SELECT RAISE(ABORT, 'traffic: it is never edited'); END;
CREATE TRIGGER traffic_no_delete BEFORE DELETE ON traffic
BEGIN SELECT RAISE(ABORT, 'traffic: it is never deleted'); END;
CREATE TRIGGER attachments_once BEFORE INSERT ON attachments
WHEN EXISTS (SELECT 1 FROM attachments WHERE digest = NEW.digest OR id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'attachments: one is never replaced'); END;
CREATE TRIGGER attachments_no_update BEFORE UPDATE ON attachments
BEGIN SELECT RAISE(ABORT, 'attachments: one is never edited'); END;
CREATE TRIGGER attachments_no_delete BEFORE DELETE ON attachments
BEGIN SELECT RAISE(ABORT, 'attachments: one is never deleted'); END;

CREATE VIEW traffic_list AS
SELECT t.run, t.device, t.no AS piece, t.sitting, t.from_ns / 1e9 AS from_s, t.to_ns / 1e9 AS to_s,
       t.bytes, t.not_kept_bytes, t.is_full, length(a.content) AS stored_bytes, t.digest
FROM traffic t JOIN attachments a ON a.digest = t.digest;
