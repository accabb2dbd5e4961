-- What the person who places a unit states of it and the room: items and words,
-- not measured.

PRAGMA user_version = 8;

ALTER TABLE placements ADD COLUMN stated TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(stated));
