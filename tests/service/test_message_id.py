"""The id of a message."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from tests.web.stage import OVER, stage_at
from watcher.service.message_id import LENGTH, message_id_of, thread_of


@given(st.text(), st.text())
def test_the_same_message_has_the_same_id(key: str, target: str) -> None:
    made = message_id_of(key, target)
    assert made == message_id_of(key, target)
    assert len(made) == LENGTH
    assert set(made) <= set("0123456789abcdef")


def test_another_way_or_another_message_has_another() -> None:
    ids = {message_id_of(key, target) for key in ("a", "ab", "b") for target in ("b", "c", "")}
    assert len(ids) == 9


def test_all_messages_about_a_case_belong_together_whoever_gets_them() -> None:
    same = {thread_of(key) for key in ("attic/ada/5.1", "attic/ben/5.1", "attic/ada/5.12")}
    assert len(same) == 1
    others = {thread_of(key) for key in ("attic/ada/51.1", "shed/ada/5.1", "a/ttic/ada/5.1")}
    assert len(same | others) == 4


def test_a_message_about_no_case_or_about_several_belongs_to_none() -> None:
    for key in ("attic/ada/5.1+7.2", "attic/ada/digest.3", "gathered/4-9/2026-03-02T08:00:00", ""):
        assert thread_of(key) == ""


def test_the_messages_of_a_real_case_have_one_thread() -> None:
    """The key is made elsewhere; this holds when its form there changes."""
    messages = stage_at(OVER).player.messages
    threads = [thread_of(one.key) for one in messages if "orchard on attic" in one.title]
    assert len(threads) >= 4
    assert "" not in threads
    assert len(set(threads)) == 2, "the cable, and the drive"
