"""Facts of a message refuse what makes no sense."""

from __future__ import annotations

import pytest

from watcher.notify.message_facts import LossChance, Message


def test_a_chance_lies_within_its_range_and_between_nothing_and_certainty() -> None:
    LossChance(likely=0.5, low=0.0, high=1.0)
    for likely, low, high in ((0.5, 0.6, 0.7), (0.5, 0.1, 0.4), (1.5, 0.1, 2.0)):
        with pytest.raises(ValueError, match=r"chance|must lie"):
            LossChance(likely=likely, low=low, high=high)


def test_the_text_is_title_and_body() -> None:
    assert Message(title="a", body="b\nc").text == "a\nb\nc"
