"""Signed links. The MAC is checked against RFC 2104 by an independent computation from the RFC."""

import base64
import hashlib
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.identity import BoxId
from watcher.service.links import (
    LINK_LIVES,
    Link,
    Purpose,
    Refused,
    check,
    link_address,
    new_link,
    sign,
)
from watcher.store.signing import SigningKey

NOW = datetime(2026, 3, 8, 3, 12, tzinfo=UTC)
KEY = SigningKey(number=1, secret=bytes(range(32)), made_at=NOW)
OTHER = SigningKey(number=2, secret=bytes(range(1, 33)), made_at=NOW)
LINK = new_link("ada", BoxId("attic"), 12, NOW)


def hmac_by_the_rfc(secret: bytes, text: bytes) -> bytes:
    """H(K XOR opad, H(K XOR ipad, text)), RFC 2104 section 2, for keys up to 64 bytes."""
    key = secret.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in key) + text).digest()
    return hashlib.sha256(bytes(b ^ 0x5C for b in key) + inner).digest()


def test_a_link_says_again_what_it_was_made_for() -> None:
    assert check(sign(LINK, KEY), (OTHER, KEY), NOW) == LINK
    assert LINK.purpose is Purpose.CASE
    assert timedelta(0) <= LINK.ends_at - NOW - LINK_LIVES < timedelta(hours=1)


def test_a_link_carries_the_mac_of_rfc_2104_cut_to_160_bits() -> None:
    told, _, mac = sign(LINK, KEY).rpartition(".")
    whole = hmac_by_the_rfc(KEY.secret, b"midwatch link 1\n" + told.encode())
    assert mac == base64.b32encode(whole[:20]).decode().lower()


def test_a_link_without_a_case_opens_the_list() -> None:
    link = new_link("ada", BoxId("attic"), 0, NOW)
    assert link.purpose is Purpose.LIST
    assert check(sign(link, KEY), (KEY,), NOW) == link


def test_a_link_ends() -> None:
    text = sign(LINK, KEY)
    last = LINK.ends_at - timedelta(microseconds=1)
    assert check(text, (KEY,), last) == LINK
    assert check(text, (KEY,), LINK.ends_at) is Refused.ENDED


def test_a_link_of_a_key_that_is_gone_is_worth_nothing() -> None:
    assert check(sign(LINK, KEY), (OTHER,), NOW) is Refused.WRONG
    renumbered = SigningKey(number=1, secret=OTHER.secret, made_at=NOW)
    assert check(sign(LINK, KEY), (renumbered,), NOW) is Refused.WRONG


def test_any_other_character_anywhere_makes_a_link_wrong() -> None:
    text = sign(LINK, KEY)
    for place, old in enumerate(text):
        for new in "a2.z9A" if old not in "a2.z9A" else "b3":
            if new != old:
                changed = text[:place] + new + text[place + 1 :]
                assert check(changed, (KEY, OTHER), NOW) is Refused.WRONG, changed


@given(text=st.text(max_size=500))
def test_any_text_is_refused_and_none_raises(text: str) -> None:
    assert check(text, (KEY,), NOW) is Refused.WRONG


@given(
    text=st.from_regex(
        r"1\.[cl]\d{1,9}\.\d{1,8}\.[a-z2-7]*\.[a-z2-7]*\.[a-z2-7]{32}", fullmatch=True
    )
)
def test_any_text_of_the_right_shape_is_refused_and_none_raises(text: str) -> None:
    assert check(text, (KEY,), NOW) is Refused.WRONG


@given(person=st.text(min_size=1, max_size=40), box=st.text(min_size=1, max_size=60))
def test_any_name_comes_through(person: str, box: str) -> None:
    try:
        (person + box).encode()
    except UnicodeEncodeError:
        return
    link = Link(person=person, box=BoxId(box), ends_at=LINK.ends_at, case=3)
    assert len(sign(link, KEY)) > 400 or check(sign(link, KEY), (KEY,), NOW) == link


@pytest.mark.parametrize("page_url", ["https://watch.example", "https://watch.example/"])
def test_the_address_is_short_enough_for_a_message_and_has_no_odd_characters(page_url: str) -> None:
    address = link_address(page_url, LINK, KEY)
    assert address == f"https://watch.example/a/{sign(LINK, KEY)}"
    assert len(address) < 120
    assert set(sign(LINK, KEY)) <= set("abcdefghijklmnopqrstuvwxyz0123456789.")
