-- The case book, its cases, their written history, what the case side was told, small notes.

-- name: load-book
-- The cases that belong to the book, in the order of their numbers, and the rest of it.
SELECT 1 AS is_case, number, state FROM case_file WHERE box = :box AND in_book = 1
UNION ALL SELECT 0, 0, state FROM book WHERE box = :box
ORDER BY number;

-- name: save-book
-- Write the book of a box.
INSERT INTO book (box, state) VALUES (:box, :state)
ON CONFLICT (box) DO UPDATE SET state = excluded.state;

-- name: save-case
-- Write a case of the book.
INSERT INTO case_file
    (box, number, in_book, is_open, urgency, label, opened_at, closed_at, state)
VALUES (:box, :number, 1, :is_open, :urgency, :label, :opened_at, :closed_at, :state)
ON CONFLICT (box, number) DO UPDATE SET
    in_book = 1, is_open = excluded.is_open, urgency = excluded.urgency, label = excluded.label,
    opened_at = excluded.opened_at, closed_at = excluded.closed_at, state = excluded.state;

-- name: archive-case
-- A case left the book; its file stays.
UPDATE case_file SET in_book = 0 WHERE box = :box AND number = :number;

-- name: one-case
-- One case of a box, in the book or in the archive.
SELECT state FROM case_file WHERE box = :box AND number = :number;

-- name: last-case-number
-- The highest number that is known to have been given to a case of a box.
SELECT max(number) AS number FROM (
    SELECT number FROM case_file WHERE box = :box
    UNION ALL SELECT case_number FROM record WHERE box = :box) AS given;

-- name: list-cases
-- The files of a box that are open, or those that are not, newest first.
SELECT state FROM case_file WHERE box = :box AND is_open = :is_open
ORDER BY number DESC LIMIT :limit;

-- name: add-record
-- One line of the written history.
INSERT INTO record (box, case_number, at, what, by_whom, text)
VALUES (:box, :case_number, :at, :what, :by_whom, :text);

-- name: records-of-case
-- The written history of one case, oldest first.
SELECT case_number, at, what, by_whom, text FROM record
WHERE box = :box AND case_number = :case_number ORDER BY id;

-- name: add-observation
-- What the case side was told.
INSERT INTO observation (box, at, body) VALUES (:box, :at, :body);

-- name: observations
-- What the case side of a box was told, oldest first.
SELECT at, body FROM observation WHERE box = :box AND at >= :since ORDER BY id;

-- name: keep
-- Remember a text under a name.
INSERT INTO kept (box, name, text) VALUES (:box, :name, :text)
ON CONFLICT (box, name) DO UPDATE SET text = excluded.text;

-- name: forget
-- Remember a text no more.
DELETE FROM kept WHERE box = :box AND name = :name;

-- name: kept
-- A text that was remembered.
SELECT text FROM kept WHERE box = :box AND name = :name;

-- name: kept-under
-- The texts that were remembered under names that begin alike.
SELECT name, text FROM kept WHERE box = :box AND name >= :first AND name < :beyond ORDER BY name;
