"""One statement for many rows, where a statement of ours is written for one. Pure text.

PostgreSQL takes some 20 µs for each statement, however small, and a survey of 24 drives writes 190
rows. So ``INSERT … VALUES (:a, …)`` and ``UPDATE … SET … WHERE …`` for many rows become one, which
reads its rows from arrays: ``unnest(:a, …) AS given (v_a, …)``. Other statements, those without a
key (of ``ON CONFLICT``, or named as ``/*key: a, b*/``), and batches in which two rows have the same
key are left to be run row by row: there the order matters, and one statement has none.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from watcher.store.connection import Value, Values
from watcher.store.travel import packed

_INSERT = re.compile(
    r"INSERT INTO (?P<table>\w+)\s*\((?P<columns>[^()]*)\)\s*VALUES\s*\((?P<values>[^()]*)\)"
    r"\s*(?P<rest>ON CONFLICT \((?P<key>[^()]*)\).*|/\*key: (?P<told>[^*]*)\*/)",
    re.DOTALL,
)
_UPDATE = re.compile(
    r"(?P<head>UPDATE \w+ SET .*?)\s+WHERE (?P<where>\w+ = :\w+(?: AND \w+ = :\w+)*)", re.DOTALL
)
_NAME = re.compile(r":([a-z][a-z_]*)")
_TYPES: Final[Mapping[type, str]] = {
    int: "bigint",
    str: "text",
    float: "double precision",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """How a statement is taken apart."""

    names: tuple[str, ...]  # of its values
    key: tuple[str, ...]  # the values by which it finds its row
    before: str  # up to where the arrays come in
    after: str


@lru_cache(maxsize=256)
def shape_of(sql: str) -> Shape | None:
    """Take a statement apart; None when it is to be run row by row."""
    names = tuple(dict.fromkeys(_NAME.findall(sql)))
    found = _UPDATE.fullmatch(sql)
    if found is not None:
        return Shape(
            names=names,
            key=tuple(_NAME.findall(found["where"])),
            before=found["head"],
            after=f" WHERE {found['where']}",
        )
    found = _INSERT.fullmatch(sql)
    if found is None:
        return None
    columns, values, key = (
        [word.strip() for word in words.split(",")]
        for words in (found["columns"], found["values"], found["key"] or found["told"])
    )
    by_column = dict(zip(columns, values, strict=True))
    if not all(by_column.get(word, "").startswith(":") for word in key):
        return None
    return Shape(
        names=names,
        key=tuple(by_column[word][1:] for word in key),
        before=f"INSERT INTO {found['table']} ({found['columns']}) SELECT {found['values']}",
        after=f" WHERE true {found['rest']}",  # without it, ON would be read as that of a join
    )


def at_once(sql: str, rows: Sequence[Values]) -> tuple[str, dict[str, Value]] | None:
    """Give one statement for many rows, with its values; None: run them one by one."""
    shape = shape_of(sql)
    if shape is None:
        return None
    columns = {name: [row[name] for row in rows] for name in shape.names}
    keys = set(zip(*(columns[name] for name in shape.key), strict=True))
    if len(keys) < len(rows):  # two rows are about the same
        return None
    types: list[str] = []
    values: dict[str, Value] = {}
    for name, column in columns.items():
        kinds = set(map(type, column)) - {type(None)}
        if len(kinds) > 1 or not kinds <= _TYPES.keys():
            return None
        types.append(_TYPES[kinds.pop()] if kinds else "")
        if types[-1]:
            values[name] = packed(column, types[-1])
    return _text(sql, tuple(types)), values


@lru_cache(maxsize=256)
def _text(sql: str, types: tuple[str, ...]) -> str:
    """Put the statement together. A value that no row has is written as NULL."""
    shape = shape_of(sql)
    if shape is None:
        raise ValueError("this statement is run row by row")
    given = [(n, t) for n, t in zip(shape.names, types, strict=True) if t]
    instead = {name: f"v_{name}" for name, _ in given}

    def named(text: str) -> str:
        return _NAME.sub(lambda found: instead.get(found[1], "NULL"), text)

    arrays = ", ".join(f":{name}::{kind}[]" for name, kind in given)
    source = f" FROM unnest({arrays}) AS given ({', '.join(instead.values())})"
    return f"{named(shape.before)}{source}{named(shape.after)}"
