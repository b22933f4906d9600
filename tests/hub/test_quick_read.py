"""Read quickly is read the same, or not at all."""

from __future__ import annotations

import json
import zlib
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from tests.bench.hub import BEGIN, Fleet
from tests.hub.stage import NOW, look, parcel
from tests.store import made
from watcher.facts.drive import Unread
from watcher.facts.survey import Blindness
from watcher.hub import quick_read
from watcher.hub.quick_read import read_quickly
from watcher.hub.wire import Parcel, pack, unpack

if quick_read.msgspec is None:
    pytest.skip("msgspec is not installed: all is read with care", allow_module_level=True)

CAREFUL = TypeAdapter(Parcel)
FULL = parcel(
    replace(
        look(1, lost=1, events=(made.event(),), missing=(made.unread(9, Unread.ASLEEP, NOW),)),
        blind=(Blindness(source="zfs", why=Unread.FORBIDDEN, detail="no right", remedy="give it"),),
        doubts=('Größe 8 TB \u2028 \t\n"\\ \x7f',),
    ),
    besides=(made.finding(),),
    works=("state folder",),
    alone_since=NOW,
)
TEXT = zlib.decompress(pack(FULL))


def quickly(text: bytes) -> Parcel | None:
    """Read as ``wire`` does, but for the way round."""
    parts = read_quickly(text, Parcel)
    if parts is None:
        return None
    try:
        return Parcel(**parts)
    except ValueError:
        return None


def carefully(text: bytes) -> Parcel | None:
    try:
        found: Parcel = CAREFUL.validate_json(text)
    except ValidationError:
        return None
    return found


@pytest.mark.parametrize(
    "told",
    [
        FULL,
        parcel(look(2)),
        unpack(Fleet(1).parcel(0, Fleet(1).pattern.survey(BEGIN, 144))),
        replace(FULL, survey=replace(FULL.survey, taken_at=datetime(2026, 3, 1, 5, 6, 7, 89, UTC))),
    ],
    ids=["full", "plain", "of 24 drives", "to the microsecond"],
)
def test_what_we_pack_is_read_quickly_and_the_same(told: Parcel) -> None:
    """Else it would be a detour."""
    text = zlib.decompress(pack(told))
    assert quickly(text) == carefully(text) == told


@settings(max_examples=150, deadline=None)
@given(
    st.integers(0, len(TEXT) - 1),
    st.integers(0, 12),
    st.sampled_from(
        [b"", b"0", b"1", b"-", b".0", b"e1", b"99999999999999999999", b"null", b"true", b'"',
         b"{}", b"[]", b",", b" ", b"\\u0041", b"\\ud800", b"\xff", b'"x":1,', b"T24", b"Z",
         b"+01:00", b'"wire":1,'],
    ),
)  # fmt: skip
def test_text_with_any_part_replaced_is_read_the_same_or_left_to_the_other(
    begin: int, length: int, instead: bytes
) -> None:
    text = TEXT[:begin] + instead + TEXT[begin + length :]
    quick = quickly(text)
    assert quick is None or quick == carefully(text)


WAYS = {
    "another order": lambda told: dict(reversed(told.items())),
    "a part more": lambda told: told | {"place": "attic"},
    "a part less": lambda told: {name: told[name] for name in told if name != "besides"},
    "another name": lambda told: {("place" if n == "besides" else n): told[n] for n in told},
}


@pytest.mark.parametrize("way", WAYS)
def test_what_is_not_word_for_word_ours_is_left_to_the_other(way: str) -> None:
    told = WAYS[way](json.loads(TEXT))
    assert quickly(json.dumps(told, separators=(",", ":"), ensure_ascii=False).encode()) is None


@pytest.mark.parametrize("where", ["survey", "drive", "pool", "member"])
def test_a_part_more_anywhere_is_never_left_out_in_silence(where: str) -> None:
    told = json.loads(TEXT)
    survey = told["survey"]
    pool = survey["pools"][0]
    places = {
        "survey": survey,
        "drive": survey["drives"][0],
        "pool": pool,
        "member": pool["tree"]["parts"][0],
    }
    places[where]["place"] = "attic"
    text = json.dumps(told, separators=(",", ":"), ensure_ascii=False).encode()
    assert quickly(text) is None
    assert carefully(text) is None, "so wire says what it was"


def test_without_the_tool_all_is_read_with_care(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(quick_read, "msgspec", None)
    assert read_quickly(TEXT, Parcel) is None
    assert unpack(pack(FULL)) == FULL
