-- Version 4: the recoveries of pools, from lost margin to margin proven back.

-- One recovery of one pool; ``closed_at`` is NULL while it goes on. For ever: they are few, and
-- each is the written record of a repair.
CREATE TABLE recovery (
    id INTEGER PRIMARY KEY,
    box TEXT NOT NULL,
    pool TEXT NOT NULL,
    opened_at BIGINT NOT NULL,
    closed_at BIGINT,
    state TEXT NOT NULL,
    UNIQUE (box, pool, opened_at)
);
