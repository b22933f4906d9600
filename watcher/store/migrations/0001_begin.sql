-- Version 1: everything one box, or a hub of many, has to remember.
--
-- Times are whole microseconds since 1970 UTC (BIGINT). Words of ours are stored as they are spelt
-- in the code. Facts with a tree inside are JSON, read and checked by the same dataclasses that
-- wrote them. Rows are not tied by foreign keys: one transaction writes what belongs together, and
-- a damaged file must still give back whatever it can.

-- A box that was heard of, and its last survey as it was handed over (compressed, without the raw
-- answers of its drives, which are in raw_answer).
CREATE TABLE box (
    box TEXT PRIMARY KEY,
    first_seen BIGINT NOT NULL,
    last_survey_at BIGINT NOT NULL,
    last_survey TEXT NOT NULL,
    survey_body BLOB NOT NULL
);

-- Surveys that were taken in: handing one over twice counts once. Kept 30 days.
CREATE TABLE survey (
    survey TEXT PRIMARY KEY,
    box TEXT NOT NULL,
    taken_at BIGINT NOT NULL,
    taken_in_at BIGINT NOT NULL
);
CREATE INDEX survey_by_time ON survey (taken_in_at);

-- A drive, wherever it is now: a drive that moves to another box keeps its number and its history.
-- ``counters`` and ``moving`` hold each metric's value and since when, a counter also the value
-- before and since when (apart, because the first seldom changes and need not be read anew then);
-- ``day`` the lowest and highest temperature of each hour of the last day: so the rules' questions
-- cost one row per drive.
CREATE TABLE drive (
    id INTEGER PRIMARY KEY,
    drive TEXT NOT NULL UNIQUE,
    box TEXT NOT NULL,
    identity TEXT NOT NULL,
    model TEXT NOT NULL,
    serial TEXT NOT NULL,
    node TEXT,
    device_type TEXT NOT NULL,
    bay TEXT,
    verdict TEXT NOT NULL,
    unread TEXT,
    unread_detail TEXT NOT NULL,
    first_seen BIGINT NOT NULL,
    last_read BIGINT,
    last_present BIGINT,
    in_use INTEGER NOT NULL,
    counters TEXT NOT NULL,
    moving TEXT NOT NULL,
    day TEXT NOT NULL
);
CREATE INDEX drive_by_box ON drive (box);

-- The metrics by number, so that the long tables stay small.
CREATE TABLE metric (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
);

-- Counters: a row only when the value moved. For ever (thinned to days when old).
CREATE TABLE change (
    drive INTEGER NOT NULL,
    metric INTEGER NOT NULL,
    at BIGINT NOT NULL,
    value BIGINT NOT NULL,
    PRIMARY KEY (drive, metric, at)
) WITHOUT ROWID;

-- Series that move all the time: spans of 10 minutes (step 0), an hour (1) or a day (2), each time
-- kept in one of them only. ``below`` and ``above`` say how far the lowest and the highest value
-- lay from the last one: small numbers, small rows. Rows lie by series, as charts read them.
CREATE TABLE span (
    drive INTEGER NOT NULL,
    metric INTEGER NOT NULL,
    step INTEGER NOT NULL,
    at BIGINT NOT NULL,
    last BIGINT NOT NULL,
    below BIGINT NOT NULL,
    above BIGINT NOT NULL,
    readings INTEGER NOT NULL,
    PRIMARY KEY (drive, metric, step, at)
) WITHOUT ROWID;

-- Spans of 10 minutes of the last day, which lie by time: a survey then writes one or two pages,
-- and not one for each series (600 kB for 24 drives, measured). The daily upkeep moves them.
CREATE TABLE fresh (
    at BIGINT NOT NULL,
    drive INTEGER NOT NULL,
    metric INTEGER NOT NULL,
    last BIGINT NOT NULL,
    below BIGINT NOT NULL,
    above BIGINT NOT NULL,
    readings INTEGER NOT NULL,
    PRIMARY KEY (at, drive, metric)
) WITHOUT ROWID;

-- Proof of watching: how often a day a drive was read, asleep, or could not be read. Without it,
-- "unchanged" and "not looked at" would be the same.
CREATE TABLE poll (
    day BIGINT NOT NULL,
    drive INTEGER NOT NULL,
    read_count INTEGER NOT NULL,
    asleep_count INTEGER NOT NULL,
    failed_count INTEGER NOT NULL,
    PRIMARY KEY (day, drive)
) WITHOUT ROWID;

-- What a drive answered, compressed, so that a better parser can be run over the past: the latest
-- answer (kind 'latest') and the one at each change of the drive's own verdict (kind 'change').
CREATE TABLE raw_answer (
    id INTEGER PRIMARY KEY,
    drive INTEGER NOT NULL,
    kind TEXT NOT NULL,
    at BIGINT NOT NULL,
    verdict TEXT NOT NULL,
    source TEXT NOT NULL,
    body BLOB NOT NULL
);
CREATE INDEX raw_answer_by_drive ON raw_answer (drive, kind, at);

-- A pool as it was seen last, and what its past comes to.
CREATE TABLE pool (
    id INTEGER PRIMARY KEY,
    box TEXT NOT NULL,
    pool TEXT NOT NULL,
    name TEXT NOT NULL,
    kind TEXT NOT NULL,
    first_seen BIGINT NOT NULL,
    last_seen BIGINT NOT NULL,
    protection TEXT NOT NULL,
    margin INTEGER,
    full_margin INTEGER,
    not_whole_since BIGINT,
    work_kind TEXT,
    work_state TEXT,
    work_since BIGINT,
    scrubbed_at BIGINT,
    in_use INTEGER NOT NULL,
    lost TEXT NOT NULL DEFAULT '[]',
    body TEXT NOT NULL,
    UNIQUE (box, pool)
);

-- A pool's state: a row only when it changed.
CREATE TABLE pool_change (
    pool INTEGER NOT NULL,
    at BIGINT NOT NULL,
    protection TEXT NOT NULL,
    margin INTEGER,
    full_margin INTEGER,
    work_kind TEXT,
    work_state TEXT,
    said TEXT NOT NULL,
    drives TEXT NOT NULL,
    PRIMARY KEY (pool, at)
);

-- How far a work on a pool was.
CREATE TABLE pool_work (
    pool INTEGER NOT NULL,
    at BIGINT NOT NULL,
    kind TEXT NOT NULL,
    done_fraction DOUBLE PRECISION,
    PRIMARY KEY (pool, at)
);

-- What the kernel said, like things within an hour folded into one row with their count.
CREATE TABLE event (
    id INTEGER PRIMARY KEY,
    box TEXT NOT NULL,
    at BIGINT NOT NULL,
    last_at BIGINT NOT NULL,
    category TEXT NOT NULL,
    what TEXT NOT NULL,
    device TEXT NOT NULL,
    subject_kind TEXT NOT NULL,
    subject_key TEXT NOT NULL,
    line TEXT NOT NULL,
    count INTEGER NOT NULL
);
CREATE INDEX event_by_time ON event (box, last_at);
CREATE INDEX event_by_subject ON event (subject_key, what, last_at);

-- The case book of a box, without its cases.
CREATE TABLE book (
    box TEXT PRIMARY KEY,
    state TEXT NOT NULL
);

-- Cases. Those still in the book (in_book 1) are part of the state; the others are the archive.
CREATE TABLE case_file (
    box TEXT NOT NULL,
    number INTEGER NOT NULL,
    in_book INTEGER NOT NULL,
    is_open INTEGER NOT NULL,
    urgency TEXT NOT NULL,
    label TEXT NOT NULL,
    opened_at BIGINT NOT NULL,
    closed_at BIGINT,
    state TEXT NOT NULL,
    PRIMARY KEY (box, number)
);
CREATE INDEX case_file_in_book ON case_file (box, in_book);

-- The written history of the cases (case 0: of the box).
CREATE TABLE record (
    id INTEGER PRIMARY KEY,
    box TEXT NOT NULL,
    case_number INTEGER NOT NULL,
    at BIGINT NOT NULL,
    what TEXT NOT NULL,
    by_whom TEXT NOT NULL,
    text TEXT NOT NULL
);
CREATE INDEX record_by_case ON record (box, case_number, id);

-- What the case side was told, in order, so that the book can be folded again. Kept 14 days.
CREATE TABLE observation (
    id INTEGER PRIMARY KEY,
    box TEXT NOT NULL,
    at BIGINT NOT NULL,
    body BLOB NOT NULL
);
CREATE INDEX observation_by_box ON observation (box, id);

-- Messages on their way to one target each. The unique key makes the same decision made twice
-- harmless.
CREATE TABLE notice (
    id INTEGER PRIMARY KEY,
    box TEXT NOT NULL,
    notice_key TEXT NOT NULL,
    person TEXT NOT NULL,
    target TEXT NOT NULL,
    urgency TEXT NOT NULL,
    urgency_rank INTEGER NOT NULL,
    title TEXT NOT NULL,
    body TEXT NOT NULL,
    link TEXT NOT NULL,
    created_at BIGINT NOT NULL,
    state TEXT NOT NULL,
    attempts INTEGER NOT NULL,
    next_try_at BIGINT NOT NULL,
    claimed_by TEXT,
    claimed_at BIGINT,
    last_error TEXT NOT NULL,
    ended_at BIGINT,
    UNIQUE (box, notice_key, target)
);
CREATE INDEX notice_by_due ON notice (state, next_try_at);
CREATE INDEX notice_by_time ON notice (created_at);

-- Each attempt to send a message, with its result.
CREATE TABLE attempt (
    notice INTEGER NOT NULL,
    number INTEGER NOT NULL,
    target TEXT NOT NULL,
    at BIGINT NOT NULL,
    outcome TEXT NOT NULL,
    error TEXT NOT NULL,
    PRIMARY KEY (notice, number)
);
CREATE INDEX attempt_by_target ON attempt (target, at);

-- Small things to remember by name: a log's cursor, when a job ran last.
CREATE TABLE kept (
    box TEXT NOT NULL,
    name TEXT NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (box, name)
);
