CREATE TABLE event (
    tank TEXT NOT NULL REFERENCES tank (name),
    id TEXT NOT NULL,  -- SHA-256 of event
    wall_clock TEXT NOT NULL,  -- when it was, on the tank's own clock
    event TEXT NOT NULL,  -- JSON, schema colorread.event/1
    PRIMARY KEY (tank, id)
);
