"""The SQL of the store, kept in .sql files: each statement is named and says what it is for.

A file in ``sql/`` looks like this, one statement after another::

    -- name: due-notices
    -- Notices whose time has come, the most urgent first.
    SELECT ...;

Values are written ``:name``, which SQLite takes as it is.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files

_NAME = re.compile(r"^-- name: ([a-z][a-z0-9-]*)$", re.MULTILINE)


def parse_statements(text: str) -> Mapping[str, str]:
    """Give the statements of a file by name.

    Raises ValueError when a name comes twice, a statement has no comment, or it is not exactly
    one statement.
    """
    parts = _NAME.split(text)
    if parts[0].strip().replace("-- ", ""):
        for line in parts[0].splitlines():
            if line.strip() and not line.startswith("--"):
                raise ValueError(f"text before the first name: {line!r}")
    found: dict[str, str] = {}
    for name, body in zip(parts[1::2], parts[2::2], strict=True):
        if name in found:
            raise ValueError(f"the statement {name} comes twice")
        lines = body.strip().splitlines()
        if not lines or not lines[0].startswith("-- "):
            raise ValueError(f"the statement {name} has no comment")
        sql = "\n".join(line for line in lines if not line.startswith("--")).strip()
        if not sql.endswith(";") or ";" in sql[:-1]:
            raise ValueError(f"{name} is not exactly one statement")
        found[name] = sql[:-1]
    return found


@cache
def statements(file: str) -> Mapping[str, str]:
    """Give the statements of ``sql/FILE.sql`` by name."""
    source = files("watcher.store").joinpath("sql", f"{file}.sql")
    return parse_statements(source.read_text("utf-8"))
