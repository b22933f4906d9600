-- Version 7: what a box told its hub of how it is prepared, and when a box was given back.

-- The shelf, the drills and the tried restores of an enrolled box, as it told of them last, as JSON.
-- A box that is not in here has told nothing: that is no empty shelf.
CREATE TABLE box_told (
    box TEXT PRIMARY KEY,
    told_at BIGINT NOT NULL,
    told TEXT NOT NULL
);

-- When a box was given back to its owner; NULL: it was not, or before this was written down.
ALTER TABLE enrolled_box ADD COLUMN returned_at BIGINT;
