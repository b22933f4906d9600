"""The lines of a saved smartctl report, and the numbers in them.

Numbers may be grouped by the writer's language (1,234 · 1.234 · 1 234). A line without an end at
the end of the text is not read: it may be cut in the middle of a number.
"""

from __future__ import annotations

import re

from watcher.readers.errors import CannotParse

SOURCE = "smartctl-text"

NAME_LIMIT = 60
"""Letters. Longer texts before a colon are sentences, not names."""

_GROUPED = re.compile(r"\d{1,3}(?:[,.'’ \u00a0\u202f\ufffd]\d{3}){1,8}|\d{1,24}")
_SIZE = re.compile(rf"({_GROUPED.pattern})(?: bytes)?(?: \[.*\])?")


def number_of(text: str, name: str) -> int:
    """Read a count that may be grouped in thousands; raises ``CannotParse``."""
    match = _SIZE.fullmatch(text.strip())
    if match is None:
        raise CannotParse(SOURCE, f"{name} is not a number", line=text)
    return int(re.sub(r"\D", "", match[1]))


class Lines:
    """The lines of a report, with the fields of the ``Name: value`` kind found once."""

    def __init__(self, text: str) -> None:
        """Split; a last line without an end is dropped."""
        lines = text.replace("\r\n", "\n").split("\n")
        self.lines = lines[:-1]
        self.fields: dict[str, str] = {}
        for line in self.lines:
            name, colon, value = line.partition(":")
            if colon and name[:1].isupper() and len(name) <= NAME_LIMIT:
                self.fields.setdefault(name.rstrip(), value.strip())

    def get(self, *names: str) -> str | None:
        """Give the first of some fields that is there."""
        for name in names:
            found = self.fields.get(name)
            if found:
                return found
        return None

    def number(self, name: str) -> int | None:
        """Give a field as a count, or None when it is absent."""
        text = self.fields.get(name)
        return None if text is None or text in {"", "-"} else number_of(text, name)

    def has(self, *starts: str) -> bool:
        """Tell whether a line begins with one of some texts."""
        return any(line.startswith(starts) for line in self.lines)


def celsius_of(lines: Lines, *names: str) -> int | None:
    """Read a field such as ``37 Celsius``; None when absent; raises if odd."""
    text = lines.get(*names)
    if text is None or text == "-":
        return None
    match = re.fullmatch(r"(-?\d{1,5}) (?:Celsius|C)", text)
    if match is None:
        raise CannotParse(SOURCE, f"{names[0]} is no temperature", line=text)
    return int(match[1])
