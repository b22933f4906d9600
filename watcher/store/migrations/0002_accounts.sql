-- Version 2: who may use the pages, with which keys links are signed, and who did what.

-- People who sign in. ``password`` and ``code_key`` are only what is needed to check them.
CREATE TABLE account (
    name TEXT PRIMARY KEY,
    role TEXT NOT NULL,
    person TEXT NOT NULL,
    boxes TEXT NOT NULL,
    password TEXT NOT NULL,
    code_key TEXT NOT NULL,
    code_step BIGINT NOT NULL,
    made_at BIGINT NOT NULL,
    changed_at BIGINT NOT NULL
);

-- Signed-in browsers, by the hash of what their cookie holds. A session that was renewed stays
-- valid for a moment under its old name (``replaced_at``), for pages that were asked for at once.
CREATE TABLE session (
    hash TEXT PRIMARY KEY,
    account TEXT NOT NULL,
    begun_at BIGINT NOT NULL,
    renewed_at BIGINT NOT NULL,
    seen_at BIGINT NOT NULL,
    replaced_at BIGINT,
    address TEXT NOT NULL
);
CREATE INDEX session_by_account ON session (account);

-- Tokens of other programs, by their hash.
CREATE TABLE program_token (
    name TEXT PRIMARY KEY,
    hash TEXT NOT NULL UNIQUE,
    role TEXT NOT NULL,
    boxes TEXT NOT NULL,
    made_at BIGINT NOT NULL,
    ends_at BIGINT
);

-- Keys by which links and forms are signed; a new one now and then, old ones stay while links
-- signed with them may live.
CREATE TABLE signing_key (
    id INTEGER PRIMARY KEY,
    secret TEXT NOT NULL,
    made_at BIGINT NOT NULL
);

-- Forms that were sent: each works once.
CREATE TABLE used_ticket (
    ticket TEXT PRIMARY KEY,
    used_at BIGINT NOT NULL
);

-- Who did what over the pages, and what was refused. The newest are kept.
CREATE TABLE audit (
    id INTEGER PRIMARY KEY,
    at BIGINT NOT NULL,
    who TEXT NOT NULL,
    address TEXT NOT NULL,
    what TEXT NOT NULL,
    about TEXT NOT NULL,
    outcome TEXT NOT NULL
);
