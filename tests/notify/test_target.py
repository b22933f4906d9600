"""Which ways a message takes."""

from __future__ import annotations

import pytest

from watcher.facts.finding import Urgency
from watcher.notify.secret import Secret
from watcher.notify.target import Target, scheme_of, ways_to

PHONE = Target(name="phone", person="ana", url=Secret("ntfy://x/y"))
LAMP = Target(name="lamp", person="ana", url=Secret("mqtt://x/y"), urgencies=(Urgency.NOW,))
BEN = Target(name="mail", person="ben", url=Secret("mailto://x"))
ALL = (PHONE, LAMP, BEN)


def test_a_message_goes_by_the_ways_that_take_its_urgency() -> None:
    assert ways_to(ALL, "ana", Urgency.NOW) == (PHONE, LAMP)
    assert ways_to(ALL, "ana", Urgency.NOTE) == (PHONE,)
    assert ways_to(ALL, "ben", Urgency.NOW) == (BEN,)
    assert ways_to(ALL, "ana", Urgency.NOTE, every=True) == (PHONE, LAMP)


def test_a_message_always_has_somewhere_to_go() -> None:
    assert ways_to((LAMP,), "ana", Urgency.NOTE) == (LAMP,)
    assert ways_to(ALL, "nobody", Urgency.NOW) == ()


@pytest.mark.parametrize(
    ("url", "scheme"),
    [("NTFYS://x/y", "ntfys"), ("terminal://", "terminal"), ("mailto:x", ""), ("", "")],
)
def test_the_scheme_is_what_stands_before_the_two_slashes(url: str, scheme: str) -> None:
    assert scheme_of(url) == scheme


def test_the_terminal_is_known_by_its_scheme() -> None:
    assert Target(name="t", person="o", url=Secret("terminal://")).is_terminal
    assert not PHONE.is_terminal


def test_a_target_never_shows_its_address() -> None:
    assert "ntfy" not in repr(PHONE)
    assert PHONE.key == "ana/phone"
