"""Slips of the pen in a settings file: what YAML refuses in its own words, or takes all the same.

Faults, with the line, though YAML takes them: a blank that is none to it (U+00A0 from a web page)
at the head of a line or behind a colon, a tag (``!word``), typographic quotes around a text, and
what a ``#`` cuts off where it was hardly meant as a comment: ``bay: #3`` gives no bay at all, and
``bay: tray #3`` the bay "tray". The last two may be meant: a watch begins with them all the same.
"""

from __future__ import annotations

import re

import yaml

from watcher.service.errors import Fault

_ODD_BLANKS = "\u00a0\u1680\u2000-\u200b\u2028\u2029\u202f\u205f\u2060\u3000\ufeff"
_ODD_BLANK = re.compile(rf"[ \t-]*[^\s:#\"']*:?[ \t]*[{_ODD_BLANKS}]")
_CUT_OFF = re.compile(r"\s+#\d")
_CUT_ALL = re.compile(r"\s*#\S")
_SPECIAL_QUOTES = re.compile("[“”„‟‘’‚«»].*[“”„‟‘’‚«»]", re.DOTALL)
_HEADS = re.compile(r"character '(.)' that cannot start")

_WORDS = (
    (
        "character '\\t'",
        "a tab stands where blanks are needed",
        "indent with blanks, and put a blank behind each colon",
    ),
    (
        "mapping values are not allowed",
        "a colon stands where none is looked for",
        "indent this line like its neighbours, or put a text with a colon in it in quotes",
    ),
    (
        "expected <block end>",
        "it is not indented like what is above it",
        "indent it like the other lines of its group",
    ),
    (
        "could not find expected ':'",
        "there is no colon behind the name",
        "write name: value, with a blank behind the colon",
    ),
    (
        "found unexpected end of stream",
        "a quote is opened here and never closed",
        "close it with the same kind of quote",
    ),
    (
        "expected ',' or",
        "a bracket is opened here and not closed, or a comma is missing behind it",
        "write [one, two] or {name: value, name: value}",
    ),
    (
        "unknown escape character",
        "between double quotes a \\ begins a special letter",
        "put the text in single quotes",
    ),
)
"""What PyYAML says, as what is wrong and what would be right."""


def whole(wrong: str, right: str, line: int | None) -> Fault:
    """Give a fault of the file, and of none of its keys."""
    return Fault(key="", line=line, wrong=wrong, right=right)


def unreadable(error: yaml.YAMLError, text: str) -> Fault:
    """Say where and why the text stops being YAML."""
    if isinstance(error, yaml.reader.ReaderError):
        line = text[: error.position].count("\n") + 1
        return whole(
            f"a letter that cannot be shown stands here (number {error.character})",
            "remove it, and save the file as plain text in UTF-8",
            line,
        )
    mark = getattr(error, "problem_mark", None)
    problem = getattr(error, "problem", None) or "odd text"
    head = _HEADS.search(problem)
    if head is not None and head[1] != "\t":
        wrong, right = f"no text begins with {head[1]} by itself", "put it in quotes"
        return whole(wrong, right, mark.line + 1 if mark is not None else None)
    for begin, wrong, right in _WORDS:
        if begin in problem:
            if "opened here" in wrong or "behind the name" in wrong:
                mark = getattr(error, "context_mark", None) or mark
            return whole(wrong, right, mark.line + 1 if mark is not None else None)
    return whole(
        f"the text cannot be read as YAML ({problem})",
        "look for a missing colon, quote or blank on this line or the one above",
        mark.line + 1 if mark is not None else None,
    )


def odd_blank(text: str) -> Fault | None:
    """Find the first line that has, before its value, a blank that is none to YAML."""
    for number, line in enumerate(text.removeprefix("\ufeff").splitlines(), start=1):
        if _ODD_BLANK.match(line):
            return whole(
                "there is a blank that is not an ordinary one, perhaps copied from a web page",
                "type the blanks of this line anew",
                number,
            )
    return None


def no_keys(text: str, line: int) -> Fault:
    """Say of a text in the place of keys how keys are written."""
    lacks_blank = re.match(r"[a-z_]+:\S", text)
    wrong = "a blank is missing behind the colon" if lacks_blank else "the file holds no keys"
    return whole(wrong, "write name: value lines", line)


def slip_in(node: yaml.ScalarNode, lines: list[str]) -> tuple[str, str] | None:
    """Tell of a plain text that is hardly what was meant: what is wrong, what would be right."""
    if node.style is not None or node.end_mark is None:
        return None
    if _SPECIAL_QUOTES.fullmatch(node.value):
        return "its quotes are typographic ones and would count as part of it", 'write " or none'
    row = lines[node.end_mark.line] if node.end_mark.line < len(lines) else ""
    cut = (_CUT_OFF if node.value else _CUT_ALL).match(row, node.end_mark.column)
    if cut is None:
        return None
    return (
        "what follows the # is a comment and not part of it",
        "put the whole text in quotes, or a blank behind the # of a comment",
    )
