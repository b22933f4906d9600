import contextlib
import dataclasses
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.store.made import NOW, book, case, pool, reading, survey
from watcher.facts.pool import WorkKind
from watcher.store.codec import (
    BOOK,
    CASE,
    SURVEY,
    clean,
    read_day,
    read_values,
    squeeze,
    unsqueeze,
)
from watcher.store.errors import StoreDamaged


def test_a_survey_comes_back_as_it_was() -> None:
    whole = survey(
        "s1",
        drives=(reading(1, raw="{}", power_cycles=3),),
        pools=(pool(lost=1, work=WorkKind.REBUILD, done=0.25),),
    )
    assert SURVEY.read(SURVEY.write(whole), "it") == whole


def test_a_book_comes_back_as_it_was() -> None:
    whole = book(case(1, by="ann"), case(2, closed=True))
    assert BOOK.read(BOOK.write(whole), "it") == whole


def test_the_checks_of_a_fact_run_again_when_it_is_read() -> None:
    text = json.loads(CASE.write(case(1, by="ann")))
    text["answer"]["until"] = text["answer"]["at"]
    with pytest.raises(StoreDamaged, match=r"case 1.*ends after it begins"):
        CASE.read(json.dumps(text), "case 1")


@given(st.data())
def test_cut_text_is_damage_and_never_another_book(data: st.DataObject) -> None:
    text = BOOK.write(book(case(1)))
    end = data.draw(st.integers(min_value=0, max_value=len(text) - 1))
    with pytest.raises(StoreDamaged):
        BOOK.read(text[:end], "it")


def test_text_that_is_no_unicode_is_stored_with_question_marks() -> None:
    odd = dataclasses.replace(case(1), label="bay \udcff")
    assert CASE.read(CASE.write(odd), "it").label == "bay ?"
    assert clean("a\udcffb\0c") == "a?b\ufffdc"


@given(st.text(st.characters(codec="utf-8")))
def test_squeezed_text_comes_back(text: str) -> None:
    assert unsqueeze(squeeze(text), "it") == text


@given(st.binary(max_size=60))
def test_any_bytes_unsqueeze_or_are_damage(body: bytes) -> None:
    with contextlib.suppress(StoreDamaged):
        assert isinstance(unsqueeze(body, "it"), str)


@pytest.mark.parametrize("text", ["", "[]", '{"a":1}', '{"a":[1]}', '{"a":["x",2]}', "nul"])
def test_latest_values_of_another_shape_are_damage(text: str) -> None:
    with pytest.raises(StoreDamaged):
        read_values(text)


@pytest.mark.parametrize("text", ["", "{}", "[1]", "[[1,2,3]]", '[[1,2,3,"x"]]'])
def test_temperatures_of_another_shape_are_damage(text: str) -> None:
    with pytest.raises(StoreDamaged):
        read_day(text)


def test_the_facts_of_the_tests_are_dated() -> None:
    assert reading(1).observed_at == NOW
