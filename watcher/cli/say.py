"""The way of every sentence to the terminal: folded between words, in letters that it can show."""

from __future__ import annotations

import codecs
import shutil
import sys
import unicodedata
from typing import TextIO

import click

from watcher.cli.columns import clean_lines, fold, width_of

PLAIN = "midwatch-plain"  # the name of the way out for letters that a terminal's encoding lacks

_INSTEAD = {
    "■": "#",
    "□": ".",
    "“": '"',
    "”": '"',
    "‘": "'",
    "’": "'",
    "–": "-",
    "—": "-",
    "…": "...",
    "°": " deg ",
    "≥": ">=",
    "≤": "<=",
    "·": "-",
    "×": "x",
    "→": "->",
}


def _plain(error: UnicodeError) -> tuple[str | bytes, int]:
    """Write what an encoding lacks in letters that every encoding has."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end]
    return "".join(_INSTEAD.get(c) or _without_marks(c) for c in lacking), error.end


def _without_marks(letter: str) -> str:
    """Give the letter that is left without its accents; a question mark where none is."""
    base = unicodedata.normalize("NFKD", letter)[:1]
    return base if base.isascii() and base.isprintable() and base else "?"


def show_all_letters() -> None:
    """Never fail because a terminal lacks a letter: a sign of ASCII stands in its place."""
    codecs.register_error(PLAIN, _plain)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=PLAIN)


def folded(text: str, width: int) -> str:
    """Fold the lines that are wider than a terminal, each under its own indent."""
    lines: list[str] = []
    for line in text.split("\n"):
        if width_of(line) <= width:
            lines.append(line)
            continue
        indent = line[: len(line) - len(line.lstrip(" "))]
        room = max(width - len(indent), 20)
        lines.extend(indent + more for more in fold(line, room))
    return "\n".join(lines)


def say(text: str = "", *, err: bool = False) -> None:
    """Print a text at once; at a terminal no word is broken at its edge, elsewhere it stays.

    Names that drives, pools and the boxes of others give themselves cannot steer the terminal.
    """
    stream: TextIO = sys.stderr if err else sys.stdout
    text = clean_lines(text)
    if stream.isatty():
        text = folded(text, shutil.get_terminal_size((80, 24)).columns)
    click.echo(text, err=err)
    stream.flush()
