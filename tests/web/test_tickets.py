from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from tests.web.stage import stage_at
from watcher.store.signing import SigningKey
from watcher.web.tickets import TICKET_LIVES, is_good, new_ticket

NOW = stage_at().clock.now()
KEY = SigningKey(number=1, secret=b"k" * 32, made_at=NOW)
OTHER = SigningKey(number=2, secret=b"l" * 32, made_at=NOW)


def test_a_ticket_is_good_for_whom_it_was_made_until_it_ends() -> None:
    ticket = new_ticket("session ada", KEY, NOW)
    assert is_good(ticket, "session ada", (OTHER, KEY), NOW)
    assert is_good(ticket, "session ada", (KEY,), NOW + TICKET_LIVES - timedelta(seconds=1))
    assert not is_good(ticket, "session ada", (KEY,), NOW + TICKET_LIVES)
    assert not is_good(ticket, "session bob", (KEY,), NOW)
    assert not is_good(ticket, "session ada", (OTHER,), NOW)


def test_two_tickets_differ() -> None:
    assert new_ticket("a", KEY, NOW) != new_ticket("a", KEY, NOW)


def test_a_bond_cannot_be_moved_into_the_ticket() -> None:
    """The parts are told apart: a bond with a line break is not another bond with other parts."""
    ticket = new_ticket("a\nb", KEY, NOW)
    assert not is_good(ticket, "a", (KEY,), NOW)


def test_any_changed_character_makes_a_ticket_bad() -> None:
    ticket = new_ticket("a", KEY, NOW)
    for place, old in enumerate(ticket):
        changed = ticket[:place] + ("x" if old != "x" else "y") + ticket[place + 1 :]
        assert not is_good(changed, "a", (KEY, OTHER), NOW)


@given(text=st.text(max_size=200))
def test_any_text_is_refused_and_none_raises(text: str) -> None:
    assert not is_good(text, "a", (KEY,), NOW)
