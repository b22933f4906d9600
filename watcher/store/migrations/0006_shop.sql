-- Version 6: the shop's pages: whose account it is, and when boxes were not watched.

-- The client whose boxes an account or a program may see, and no others; '': of no client.
ALTER TABLE account ADD COLUMN client TEXT NOT NULL DEFAULT '';
ALTER TABLE program_token ADD COLUMN client TEXT NOT NULL DEFAULT '';

-- Stretches between two surveys of a box that were longer than its rhythm allows: what happened in
-- between was not seen. For ever: they are few, and without them a month looks better than known.
CREATE TABLE box_gap (
    box TEXT NOT NULL,
    begun_at BIGINT NOT NULL,
    ended_at BIGINT NOT NULL,
    PRIMARY KEY (box, begun_at)
);

-- The open cases of all boxes at one look, however long the archive is.
CREATE INDEX case_file_open ON case_file (is_open, box);
