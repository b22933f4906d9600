-- Version 3: how a box is prepared for the next failure.

-- The spares on the shelf of a box, and those on their way. ``spare`` is the fact as JSON. A number
-- is given once and never again, so that a label written on a drive stays true.
CREATE TABLE shelf (
    box TEXT NOT NULL,
    number INTEGER NOT NULL,
    on_shelf INTEGER NOT NULL,
    spare TEXT NOT NULL,
    PRIMARY KEY (box, number)
);

-- Rehearsals of a failure, as JSON.
CREATE TABLE drill (
    box TEXT NOT NULL,
    number INTEGER NOT NULL,
    drill TEXT NOT NULL,
    PRIMARY KEY (box, number)
);

-- Restores that somebody tried, as JSON, in order.
CREATE TABLE restore_try (
    id INTEGER PRIMARY KEY,
    box TEXT NOT NULL,
    restore TEXT NOT NULL
);
CREATE INDEX restore_try_by_box ON restore_try (box, id);
