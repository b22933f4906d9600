"""Text in columns."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from watcher.cli.columns import clean, columns, columns_by_row, fold, hang, pad, width_of


def test_columns_line_up_by_what_the_eye_sees() -> None:
    lines = columns([["bay 1", "■ ■", "x"], ["top left", "磁", "y"]], total=60, indent="")
    assert [width_of(line) for line in lines] == [width_of(lines[0])] * 2


def test_the_last_column_is_folded_under_itself() -> None:
    lines = columns([["a", "one two three four five six seven eight"]], total=30, indent="")
    assert len(lines) == 2
    assert lines[1].startswith("   ")


def test_control_characters_do_no_harm() -> None:
    assert clean("bay\x1b[2J\n3") == "bay?[2J?3"


def test_no_rows_are_no_lines() -> None:
    assert columns([], total=80) == []


@given(st.text(), st.integers(10, 80))
def test_folding_loses_no_word(text: str, width: int) -> None:
    assert " ".join(fold(text, width)).split() == text.split()


def test_padding_never_cuts() -> None:
    assert pad("abc", 2) == "abc"
    assert pad("磁", 4) == "磁  "


def test_what_hangs_under_its_words_fits_and_is_left_alone_where_it_fits_already() -> None:
    assert hang("a  b   c", 3, 40) == ["a  b   c"]
    lines = hang("  do      one two three four five six seven", 10, 34)
    assert lines == ["  do      one two three four five", "          six seven"]
    assert hang("one two three four", 3, 10) == ["one two", "three four"]


WIDE = [
    ["the-archive-of-all-photographs", "md raid6", "2 of 2", "whole", "a check, 4% done"],
    ["cellar", "md raid1", "1 of 1", "whole", "2 members, 4 TB"],
]


def test_a_last_column_without_room_stands_beneath_its_row() -> None:
    assert columns(WIDE, total=66) == [
        "  the-archive-of-all-photographs  md raid6  2 of 2  whole",
        "      a check, 4% done",
        "  cellar                          md raid1  1 of 1  whole",
        "      2 members, 4 TB",
    ]


def test_where_the_others_have_no_room_either_the_first_stands_alone() -> None:
    assert columns(WIDE, total=44)[:3] == [
        "  the-archive-of-all-photographs",
        "      md raid6  2 of 2  whole",
        "      a check, 4% done",
    ]


@given(
    st.lists(st.lists(st.text(alphabet="ab ", max_size=30), min_size=1, max_size=5), max_size=5),
    st.integers(20, 120),
)
def test_no_width_of_a_terminal_loses_a_word_of_a_row(rows: list[list[str]], width: int) -> None:
    laid = columns_by_row(rows, total=width)
    assert [" ".join(lines).split() for lines in laid] == [" ".join(row).split() for row in rows]
