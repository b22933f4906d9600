"""The exchange between box and hub: nothing odd is taken, and versions meet in plain words."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.hub.stage import NOW, look, parcel
from tests.store import made
from watcher.facts.survey import SURVEY_FORMAT
from watcher.hub.errors import Refused, Unreachable, Why
from watcher.hub.wire import (
    MOST_SENT,
    MOST_UNPACKED,
    WIRE,
    Answer,
    Joining,
    Renewal,
    pack,
    pack_plain,
    read_answer,
    read_plain,
    unpack,
    unpack_joining,
    unpack_renewal,
    write_answer,
    write_refusal,
)

FULL = parcel(
    look(1, lost=1, events=(made.event(),), missing=()),
    besides=(made.finding(),),
    works=("state folder",),
    alone_since=NOW,
)


def squeezed(told: object) -> bytes:
    return zlib.compress(json.dumps(told).encode())


def refused(body: bytes) -> Refused:
    with pytest.raises(Refused) as caught:
        unpack(body)
    return caught.value


def test_what_is_packed_comes_out_the_same() -> None:
    assert unpack(pack(FULL)) == FULL
    assert read_plain(pack_plain(FULL)) == FULL
    asked = Joining(code="A", box="b", token_hash="c")
    assert unpack_joining(pack(asked)) == asked
    assert unpack_renewal(pack(Renewal(token_hash="c"))) == Renewal(token_hash="c")


def test_text_that_is_no_unicode_gets_a_stand_in() -> None:
    odd = replace(FULL, survey=replace(FULL.survey, doubts=("\udc80",)))
    assert unpack(pack(odd)).survey.doubts == ("?",)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_taken_or_refused(body: bytes) -> None:
    assert refused(body).why is Why.UNREADABLE


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_within_are_refused(text: bytes) -> None:
    assert refused(zlib.compress(text)).why is Why.UNREADABLE


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner),
    max_leaves=8,
)


@settings(max_examples=200, deadline=None)
@given(data=st.data(), value=json_values)
def test_a_parcel_with_any_part_replaced_is_refused_or_still_a_parcel(
    data: st.DataObject, value: object
) -> None:
    plain = pack_plain(FULL)
    here = plain
    for _ in range(data.draw(st.integers(1, 6))):
        keys = list(here) if isinstance(here, dict) else list(range(len(here)))
        if not keys:
            break
        key = data.draw(st.sampled_from(keys))
        if not isinstance(here[key], dict | list) or data.draw(st.booleans()):
            here[key] = value
            break
        here = here[key]
    why = None
    try:
        assert unpack(squeezed(plain)).wire == WIRE
    except Refused as wrong:
        why = wrong.why
    assert why in {None, Why.UNREADABLE, Why.NEWER}


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_cut_parcel_is_never_taken(data: st.DataObject) -> None:
    body = pack(FULL)
    cut = data.draw(st.integers(0, len(body) - 1))
    assert refused(body[:cut]).why is Why.UNREADABLE


def test_sizes_are_bounded_before_and_after_unpacking() -> None:
    assert refused(b"x" * (MOST_SENT + 1)).why is Why.TOO_LARGE
    bomb = zlib.compress(b"0" * (MOST_UNPACKED + 1), 9)
    assert len(bomb) < 20_000
    assert refused(bomb).why is Why.TOO_LARGE
    assert refused(pack(FULL) + b"more").why is Why.UNREADABLE


@pytest.mark.parametrize(
    ("part", "value"),
    [("wire", "1"), ("wire", 0), ("every_seconds", 0), ("sender", ""), ("sender", "x" * 999)],
)
def test_words_and_numbers_out_of_range_are_refused(part: str, value: object) -> None:
    assert refused(squeezed(pack_plain(FULL) | {part: value})).why is Why.UNREADABLE


def test_a_newer_exchange_is_refused_and_says_what_to_do() -> None:
    newer = pack_plain(FULL) | {"wire": WIRE + 1, "something": {"new": 1}}
    wrong = refused(squeezed(newer))
    assert wrong.why is Why.NEWER
    assert f"version {WIRE + 1}" in wrong.sentence
    assert "update midwatch on the hub" in wrong.sentence


def test_a_newer_survey_is_refused_and_says_what_to_do() -> None:
    plain = pack_plain(FULL)
    plain["survey"]["format"] = SURVEY_FORMAT + 1
    wrong = refused(squeezed(plain))
    assert wrong.why is Why.NEWER
    assert f"format {SURVEY_FORMAT + 1}" in wrong.sentence


def places(plain: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Name every place in a parcel at which parts have names."""
    if isinstance(plain, dict):
        yield path
    parts = plain.items() if isinstance(plain, dict) else enumerate(plain)
    for key, part in parts:
        if isinstance(part, dict | list):
            yield from places(part, (*path, key))


@pytest.mark.parametrize(
    "path", list(places(pack_plain(FULL))), ids=lambda path: ".".join(map(str, path)) or "top"
)
def test_a_part_that_a_newer_box_adds_anywhere_is_left_out_and_noted_as_a_doubt(
    path: tuple[str | int, ...],
) -> None:
    """Of a member of a pool too, which may have one of two shapes."""
    plain = pack_plain(FULL)
    here = plain
    for key in path:
        here = here[key]
    here["smell"] = {"of": "burnt"}
    found = unpack(squeezed(plain))
    (doubt,) = found.survey.doubts
    assert "newer than this hub" in doubt
    assert "(smell)" in doubt
    assert replace(found, survey=replace(found.survey, doubts=())) == FULL


def test_a_newer_part_does_not_make_up_for_one_that_is_wrong_or_missing() -> None:
    for part, value in (("state", "splendid"), ("name", None)):
        plain = pack_plain(FULL)
        member = plain["survey"]["pools"][0]["tree"]["parts"][0]
        member |= {"smell": "burnt", part: value}
        assert refused(squeezed(plain)).why is Why.UNREADABLE


def test_parts_that_an_older_box_does_not_have_take_their_defaults() -> None:
    plain = pack_plain(parcel(look(1)))
    for name in ("besides", "works", "alone_since"):
        del plain[name]
    del plain["survey"]["backups"]
    del plain["survey"]["doubts"]
    assert unpack(squeezed(plain)) == parcel(look(1))


def test_an_answer_comes_back_as_it_was_meant() -> None:
    told = Answer(taken="a", look=True, renew=True)
    assert read_answer(200, write_answer(told)) == told
    with pytest.raises(Refused) as caught:
        read_answer(401, write_refusal(Refused(Why.NOT_KNOWN, "Who are you?")))
    assert (caught.value.why, caught.value.sentence) == (Why.NOT_KNOWN, "Who are you?")


def test_an_answer_of_a_newer_hub_is_understood_as_far_as_it_goes() -> None:
    body = json.dumps({"wire": 7, "taken": "a", "poem": "x"}).encode()
    assert read_answer(200, body) == Answer(taken="a")
    later = json.dumps({"wire": 7, "why": "moon", "sentence": "No."}).encode()
    with pytest.raises(Refused) as caught:
        read_answer(400, later)
    assert caught.value.why is Why.BUSY


@pytest.mark.parametrize(
    "body", [b"", b"<html>", b"[]", b'{"wire": "1"}', b'{"wire":1,"look":"x"}']
)
def test_something_else_than_a_hub_is_told_apart(body: bytes) -> None:
    with pytest.raises(Unreachable):
        read_answer(200, body)


def test_a_proxy_with_a_smaller_bound_makes_the_box_send_less() -> None:
    with pytest.raises(Refused) as caught:
        read_answer(413, b"<html>Request Entity Too Large</html>")
    assert caught.value.why is Why.TOO_LARGE


def test_a_parcel_as_it_was_written_by_the_first_version_is_still_read_as_it_was_meant() -> None:
    """The file was written on 2026-11-25 by version 0.1.0; it is never written anew."""
    kept = json.loads((Path(__file__).parent / "parcels" / "wire-1.json").read_text())
    assert unpack(squeezed(kept)) == FULL


def test_there_is_nothing_in_an_answer_by_which_a_hub_could_ask_for_more_than_a_look() -> None:
    assert {field.name for field in fields(Answer)} == {
        "wire", "taken", "look", "renew", "box", "client",
    }  # fmt: skip
    told = {"wire": 1, "taken": "x", "run": "rm", "command": ["sh"], "settings": {"a": 1}}
    assert read_answer(200, json.dumps(told).encode()) == Answer(taken="x")
