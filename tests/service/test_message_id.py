"""The id of a message."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from watcher.service.message_id import LENGTH, message_id_of


@given(st.text(), st.text())
def test_the_same_message_has_the_same_id(key: str, target: str) -> None:
    made = message_id_of(key, target)
    assert made == message_id_of(key, target)
    assert len(made) == LENGTH
    assert set(made) <= set("0123456789abcdef")


def test_another_way_or_another_message_has_another() -> None:
    ids = {message_id_of(key, target) for key in ("a", "ab", "b") for target in ("b", "c", "")}
    assert len(ids) == 9
