"""From text to plain values: nothing is guessed, every key knows its line, nothing is too much."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.service.settings_text import DEEPEST_LEVEL, LONGEST_FILE_BYTES, parse_text, say_path


@pytest.mark.parametrize(
    "word", ["012", "22:30", "1_000", "no", "Yes", "1e3", "0x1f", "2031-03-06", ".inf", "=", "1.0"]
)
def test_a_word_stays_the_word_that_was_written(word: str) -> None:
    assert parse_text(f"key: {word}").values == {"key": word}


@pytest.mark.parametrize("nothing", ["", "~", "null"])
def test_only_an_empty_plain_value_is_nothing(nothing: str) -> None:
    assert parse_text(f"key: {nothing}").values == {"key": None}
    assert parse_text(f'key: "{nothing}"').values == {"key": nothing}


def test_every_key_and_every_entry_knows_its_line() -> None:
    parsed = parse_text("a: 1\nb:\n  - c: 2\n    d: 3\n  - e\n")
    assert parsed.values == {"a": "1", "b": [{"c": "2", "d": "3"}, "e"]}
    assert parsed.line_of(("a",)) == 1
    assert parsed.line_of(("b", 0, "d")) == 4
    assert parsed.line_of(("b", 1)) == 5
    assert parsed.line_of(("b", 0, "missing")) == 3
    assert parsed.line_of(("nowhere",)) == 1


@pytest.mark.parametrize("empty", ["", "\n", "# only words\n", "---\n"])
def test_an_empty_file_gives_no_values_and_no_faults(empty: str) -> None:
    parsed = parse_text(empty)
    assert (parsed.values, parsed.faults) == ({}, ())


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("a: 1\na: 2\n", 2, "written twice, first on line 1"),
        ("a: &x 1\nb: *x\n", 1, "anchors"),
        ("a: *x\n", 1, "aliases"),
        ("a: 1\n---\nb: 2\n", 2, "second document"),
        ("a: [1, 2\nb: 3\n", 1, "a bracket is opened"),
        ("a:\n\t- 1\n", 2, "a tab stands"),
        ("a: *\n", 1, "cannot be read as YAML"),
        ("- 1\n", 1, "holds no keys"),
        ("hello\n", 1, "holds no keys"),
        ("{a: 1, [b]: 2}\n", 1, "a key is a list or a group"),
        ("a: " + "[" * (DEEPEST_LEVEL + 1) + "\n", 1, "more levels"),
        ("a: \x07\n", 1, "cannot be shown"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_line(
    text: str, line: int | None, words: str
) -> None:
    (fault,) = parse_text(text).faults
    assert fault.line == line
    assert words in fault.wrong


def test_a_few_lines_cannot_stand_for_gigabytes() -> None:
    text = "a: &a [1,1,1,1]\n" + "".join(
        f"{chr(98 + n)}: &{chr(98 + n)} [{','.join(['*' + chr(97 + n)] * 9)}]\n" for n in range(12)
    )
    assert parse_text(text).values == {}


def test_a_huge_file_is_refused_before_it_is_read() -> None:
    (fault,) = parse_text("#" * (LONGEST_FILE_BYTES + 1)).faults
    assert "KiB" in fault.wrong


def test_brackets_without_end_do_not_exhaust_the_stack() -> None:
    assert parse_text("[" * 200_000).faults
    assert parse_text("a: " + "{b: " * 50_000).faults


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=300))
def test_any_text_gives_values_or_faults(text: str) -> None:
    parsed = parse_text(text)
    assert isinstance(parsed.values, dict)


def test_a_place_is_counted_from_one_as_people_count() -> None:
    assert say_path(("people", 0, "targets", 1, "url")) == "people[1].targets[2].url"
    assert say_path(()) == ""
