"""The reasons a hub can give."""

from __future__ import annotations

from watcher.hub.errors import HubError, Refused, Unreachable, Why


def test_every_refusal_carries_its_reason_and_a_sentence() -> None:
    wrong = Refused(Why.CODE, "This code was used.")
    assert isinstance(wrong, HubError)
    assert (wrong.why, str(wrong)) == (Why.CODE, "This code was used.")
    assert isinstance(Unreachable("no answer"), HubError)
