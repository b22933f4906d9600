"""Lines and numbers of a saved report."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.readers.errors import CannotParse
from watcher.readers.smartctl_lines import Lines, number_of


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("11,822 [6.05 GB]", 11822),
        ("7 681 501 126 656 bytes [7,68 TB]", 7681501126656),
        ("7\u00a0681 bytes", 7681),
        ("1.234.567", 1234567),
        ("1'234", 1234),
        ("0", 0),
        ("1476", 1476),
    ],
)
def test_grouped_numbers_are_read_in_any_language(text: str, number: int) -> None:
    assert number_of(text, "x") == number


@pytest.mark.parametrize("text", ["", "1.23K", "12,34", "1,2345", "-5", "about 7", "9" * 60])
def test_what_is_no_whole_number_is_refused(text: str) -> None:
    """No letters are thrown away until a number appears: 1.23K is not 1."""
    with pytest.raises(CannotParse):
        number_of(text, "x")


def test_a_last_line_without_an_end_is_not_read() -> None:
    lines = Lines("Serial Number:    A1\nMedia Errors:   12")
    assert lines.get("Serial Number") == "A1"
    assert lines.get("Media Errors") is None


def test_the_first_of_two_fields_counts() -> None:
    assert Lines("Name: a\nName: b\n").get("Name") == "a"


@given(st.text())
def test_any_text_has_lines(text: str) -> None:
    lines = Lines(text)
    assert len(lines.lines) == text.replace("\r\n", "\n").count("\n")
