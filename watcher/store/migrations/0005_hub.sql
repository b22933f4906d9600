-- Version 5: many boxes of many clients, and what a box keeps while its hub is away.

-- A box that hands its surveys over to this hub. ``sender`` is the run of its program that we take
-- surveys from; ``due_at`` is when its case book falls due by itself.
CREATE TABLE enrolled_box (
    box TEXT PRIMARY KEY,
    client TEXT NOT NULL,
    state TEXT NOT NULL,
    joined_at BIGINT NOT NULL,
    heard_at BIGINT,
    every_seconds INTEGER NOT NULL,
    address TEXT NOT NULL,
    sender TEXT NOT NULL,
    quiet_since BIGINT,
    due_at BIGINT,
    look_wanted INTEGER NOT NULL
);
CREATE INDEX enrolled_box_by_due ON enrolled_box (due_at);
CREATE INDEX enrolled_box_by_heard ON enrolled_box (state, heard_at);
CREATE INDEX enrolled_box_by_client ON enrolled_box (client);

-- One-time codes by which a box joins, by their hash. ``token`` is the hash of the token of the box
-- that used it, so that the same box may ask again when it did not hear the answer.
CREATE TABLE invitation (
    hash TEXT PRIMARY KEY,
    client TEXT NOT NULL,
    box TEXT NOT NULL,
    made_at BIGINT NOT NULL,
    ends_at BIGINT NOT NULL,
    token TEXT NOT NULL
);

-- Tokens of boxes, by their hash. One that was replaced ends when its successor is used.
CREATE TABLE box_token (
    hash TEXT PRIMARY KEY,
    box TEXT NOT NULL,
    made_at BIGINT NOT NULL,
    used_at BIGINT
);
CREATE INDEX box_token_by_box ON box_token (box);

-- The runs of a box's program that were heard of: one that comes back after another took its place
-- is a second sender.
CREATE TABLE box_sender (
    box TEXT NOT NULL,
    sender TEXT NOT NULL,
    first_at BIGINT NOT NULL,
    last_at BIGINT NOT NULL,
    refused_at BIGINT,
    PRIMARY KEY (box, sender)
);

-- What a box hands over next, in order; ``level`` is how far it was thinned, ``weighs`` whether it
-- holds what is never thinned.
CREATE TABLE outgoing (
    number INTEGER PRIMARY KEY,
    survey TEXT NOT NULL,
    put_at BIGINT NOT NULL,
    level INTEGER NOT NULL,
    weighs INTEGER NOT NULL,
    body BLOB NOT NULL
);
