"""What is said reaches every terminal: folded between words, in letters that it has."""

from __future__ import annotations

import io
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.cli.columns import width_of
from watcher.cli.say import PLAIN, folded, say, show_all_letters


class Screen(io.TextIOWrapper):
    """A terminal with an encoding of its own."""

    def __init__(self, encoding: str) -> None:
        super().__init__(io.BytesIO(), encoding=encoding, write_through=True)

    def isatty(self) -> bool:
        return True

    @property
    def shown(self) -> str:
        buffer = self.buffer
        assert isinstance(buffer, io.BytesIO)
        return buffer.getvalue().decode(self.encoding)


@pytest.mark.parametrize(
    ("encoding", "shows"),
    [
        ("utf-8", "orchard ■ □ 33 °C “née” …\n"),
        ("latin-1", 'orchard # . 33 °C "née" ...\n'),
        ("ascii", 'orchard # . 33  deg C "nee" ...\n'),
    ],
)
def test_a_letter_that_the_terminal_lacks_is_written_in_one_that_it_has(
    encoding: str, shows: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen = Screen(encoding)
    monkeypatch.setattr(sys, "stdout", screen)
    show_all_letters()
    screen.write("orchard ■ □ 33 °C “née” …\n")
    assert screen.shown == shows


@given(st.text(alphabet=st.characters(), max_size=30))
def test_there_is_no_text_that_cannot_be_shown(text: str) -> None:
    show_all_letters()
    for encoding in ("ascii", "latin-1", "utf-8"):
        text.encode(encoding, errors=PLAIN)


def test_a_sentence_is_folded_between_words_and_stays_under_its_indent() -> None:
    text = "no drive here\n  what next: look at the cable of bay 2 before anything else is done"
    assert folded(text, 40).split("\n") == [
        "no drive here",
        "  what next: look at the cable of bay 2",
        "  before anything else is done",
    ]


@given(st.text(alphabet="ab \n", max_size=300), st.integers(min_value=30, max_value=90))
def test_folding_loses_no_word_and_fits(text: str, width: int) -> None:
    done = folded(text, width)
    assert done.split() == text.split()
    longest = max((width_of(word) for word in text.split()), default=0)
    for line in done.split("\n"):
        indent = len(line) - len(line.lstrip(" "))
        assert width_of(line) <= max(width, indent + max(longest, 20))


def test_what_is_not_a_terminal_gets_each_sentence_in_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    sentence = "This sentence is longer than forty columns, and another program reads it."
    say(sentence)
    assert capsys.readouterr().out == f"{sentence}\n"


def test_a_terminal_gets_no_broken_word(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    screen = Screen("utf-8")
    monkeypatch.setattr(sys, "stdout", screen)
    say("This sentence is longer than forty columns, and a person reads it.")
    assert screen.shown == ("This sentence is longer than forty\ncolumns, and a person reads it.\n")


def test_what_a_drive_or_a_box_calls_itself_does_not_steer_the_terminal(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """ESC, BEL, CSI and the signs that turn the reading order (ECMA-48 section 5, UAX 9)."""
    say("pool \x1b]0;all is well\x07 on \x9b2J press\u202e\r\n  second line")
    assert capsys.readouterr().out == "pool ?]0;all is well? on ?2J press??\n  second line\n"
