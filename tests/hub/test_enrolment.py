"""Codes work once and for a time; tokens are kept as hashes, replaced, and taken away."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.hub.stage import NOW
from watcher.facts.identity import BoxId
from watcher.hub.enrolment import (
    CODE_LIVES,
    LETTERS,
    hash_of,
    identify,
    invite,
    join,
    new_code,
    new_token,
    plain_code,
    renew,
)
from watcher.hub.errors import Refused, Why
from watcher.hub.wire import Joining
from watcher.store.database import Store, open_memory
from watcher.store.hub import BoxState

pytestmark = pytest.mark.usefixtures("each_ground")

FIRST = "t1"
LATER = NOW + timedelta(hours=1)


@pytest.fixture
def store() -> Store:
    return open_memory(now=NOW)


def ask(code: str, token: str = FIRST, box: str = "press") -> Joining:
    return Joining(code=code, box=box, token_hash=hash_of(token))


def why(store: Store, asked: Joining) -> Why:
    with store.transaction() as tx, pytest.raises(Refused) as caught:
        join(tx, asked, LATER)
    return caught.value.why


def test_a_code_has_a_hundred_bits_and_may_be_typed_carelessly() -> None:
    assert len(set(LETTERS)) == 32
    code = new_code()
    assert len(plain_code(code)) == 20
    assert plain_code(" " + code.lower().replace("-", " ")) == plain_code(code)
    assert plain_code("OIL-U") == "011V"
    assert len({new_token() for _ in range(50)}) == 50


def test_neither_codes_nor_tokens_are_in_the_store(store: Store) -> None:
    with store.transaction() as tx:
        code = invite(tx, "Harbour", "", NOW)
        join(tx, ask(code, "secret-token"), NOW)
        text = repr(
            [
                tuple(row)
                for table in ("invitation", "box_token", "enrolled_box")
                for row in tx.db.rows(f"SELECT * FROM {table}")  # noqa: S608 - a name of ours
            ]
        )
    assert plain_code(code) not in text
    assert "secret-token" not in text
    assert hash_of("secret-token") in text


def test_a_code_works_once_but_the_same_box_may_ask_again(store: Store) -> None:
    with store.transaction() as tx:
        code = invite(tx, "Harbour", "", NOW)
        first = join(tx, ask(code), NOW)
        assert join(tx, ask(code), LATER) == first
    assert why(store, ask(code, "t2")) is Why.CODE


def test_a_code_ends(store: Store) -> None:
    with store.transaction() as tx:
        code = invite(tx, "Harbour", "", NOW - CODE_LIVES)
    assert why(store, ask(code)) is Why.CODE
    assert why(store, ask("AAAAA-AAAAA-AAAAA-AAAAA")) is Why.CODE
    assert why(store, Joining(code=code, box="x", token_hash="short")) is Why.UNREADABLE


def test_boxes_of_one_name_are_kept_apart(store: Store) -> None:
    names = []
    for client, token in (("Harbour", "a"), ("Orchard", "b"), ("Harbour", "c")):
        with store.transaction() as tx:
            code = invite(tx, client, "", NOW)
            box = join(tx, ask(code, token), NOW)
            tx.box_heard(box.box, NOW, every_seconds=600, address="", sender="s", due_at=None)
            names.append((box.box, box.client))
    assert names == [("press", "Harbour"), ("press (Orchard)", "Orchard"), ("press 2", "Harbour")]


def test_a_box_that_is_invited_by_name_takes_its_place_again(store: Store) -> None:
    with store.transaction() as tx:
        join(tx, ask(invite(tx, "Harbour", "press", NOW), "old"), NOW)
        tx.box_heard(BoxId("press"), NOW, every_seconds=600, address="", sender="s", due_at=None)
        again = join(tx, ask(invite(tx, "Harbour", "press", NOW), "new"), LATER)
        assert again.box == "press"
        assert tx.shown(hash_of("old")) is None


def test_a_box_that_is_called_with_its_client_takes_its_place_again_by_that_name(
    store: Store,
) -> None:
    with store.transaction() as tx:
        join(tx, ask(invite(tx, "Harbour", "", NOW), "a"), NOW)
        named = join(tx, ask(invite(tx, "Orchard", "", NOW), "b"), NOW).box
        assert named == "press (Orchard)"
        tx.box_heard(named, NOW, every_seconds=600, address="", sender="s", due_at=None)
        for name, token in ((named, "c"), ("press", "d")):
            assert join(tx, ask(invite(tx, "Orchard", name, NOW), token), LATER).box == named
        assert join(tx, ask(invite(tx, "Mill", named, NOW), "e"), LATER).box != named


def test_a_new_token_ends_the_old_one_when_it_is_used(store: Store) -> None:
    with store.transaction() as tx:
        join(tx, ask(invite(tx, "Harbour", "", NOW), "old"), NOW)
        identify(tx, "old", NOW)
        renew(tx, "old", hash_of("new"), LATER)
        renew(tx, "old", hash_of("new"), LATER)
        assert identify(tx, "old", LATER).box.box == "press"
        assert identify(tx, "new", LATER).box.box == "press"
        with pytest.raises(Refused):
            identify(tx, "old", LATER)


def test_a_revoked_or_returned_box_is_not_let_in(store: Store) -> None:
    with store.transaction() as tx:
        join(tx, ask(invite(tx, "Harbour", "", NOW)), NOW)
        tx.set_box_state(BoxId("press"), BoxState.RETURNED)
        with pytest.raises(Refused) as returned:
            identify(tx, "t1", NOW)
        tx.revoke_box(BoxId("press"))
        with pytest.raises(Refused) as revoked:
            identify(tx, "t1", NOW)
    assert (returned.value.why, revoked.value.why) == (Why.RETURNED, Why.NOT_KNOWN)
