CREATE TABLE tank (
    name TEXT NOT NULL PRIMARY KEY,
    settings TEXT NOT NULL  -- JSON, schema colorread.tank/1
);
CREATE TABLE reading (
    tank TEXT NOT NULL REFERENCES tank (name),
    sha256 TEXT NOT NULL,  -- of the photo file
    photo TEXT NOT NULL,  -- name for people
    wall_clock TEXT,  -- when it was taken on the tank's own clock, for sorting
    result TEXT NOT NULL,  -- JSON, schema colorread.reading/1, with the time and its offset
    scored_at TEXT NOT NULL,  -- UTC
    software TEXT NOT NULL,
    settings_id TEXT NOT NULL,
    profile_id TEXT,
    picture BLOB,
    PRIMARY KEY (tank, sha256)
);
