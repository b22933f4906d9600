from dataclasses import replace
from datetime import timedelta

import pytest

from tests.store.made import BOX, DAY, HOUR, MINUTE, NOW
from watcher.store.accounts import Account, AuditLine, ProgramToken, Role, Session
from watcher.store.database import Store

ADA = Account(
    name="ada",
    role=Role.ACT,
    person="ada",
    boxes=(BOX,),
    password="check",
    code_key="KEY",
    code_step=7,
    made_at=NOW,
    changed_at=NOW,
)
SESSION = Session(
    hash="h1", account="ada", begun_at=NOW, renewed_at=NOW, seen_at=NOW, address="127.0.0.1"
)


@pytest.fixture
def with_ada(store: Store) -> Store:
    with store.transaction() as tx:
        tx.save_account(ADA)
        tx.begin_session(SESSION)
    return store


def test_an_account_comes_back_as_it_was_saved(with_ada: Store) -> None:
    with with_ada.transaction() as tx:
        assert tx.account("ada") == ADA
        assert tx.account("bob") is None
        changed = replace(ADA, role=Role.MANAGE, changed_at=NOW + HOUR)
        tx.save_account(changed)
        assert tx.accounts() == (changed,)


def test_no_secret_is_in_what_is_printed_of_an_account() -> None:
    assert "check" not in repr(ADA)
    assert "KEY" not in repr(ADA)


def test_each_role_may_do_what_the_lower_ones_may() -> None:
    allowed = {(mine, asked) for mine in Role for asked in Role if mine.covers(asked)}
    assert allowed == {
        (Role.LOOK, Role.LOOK),
        (Role.ACT, Role.LOOK),
        (Role.ACT, Role.ACT),
        (Role.MANAGE, Role.LOOK),
        (Role.MANAGE, Role.ACT),
        (Role.MANAGE, Role.MANAGE),
    }


def test_a_code_is_used_once_and_no_earlier_one_after_it(with_ada: Store) -> None:
    with with_ada.transaction() as tx:
        assert tx.use_code("ada", 9)
        assert not tx.use_code("ada", 9)
        assert not tx.use_code("ada", 8)
        assert tx.use_code("ada", 10)


def test_removing_an_account_ends_its_sessions(with_ada: Store) -> None:
    with with_ada.transaction() as tx:
        assert tx.remove_account("ada")
        assert tx.session("h1") is None
        assert not tx.remove_account("ada")


def test_a_session_is_renewed_once_and_known_by_both_names_for_a_moment(with_ada: Store) -> None:
    with with_ada.transaction() as tx:
        later = NOW + HOUR
        assert tx.replace_session(SESSION, "h2", later)
        assert not tx.replace_session(SESSION, "h3", later)
        assert tx.session("h1") == replace(SESSION, replaced_at=later)
        assert tx.session("h2") == replace(SESSION, hash="h2", renewed_at=later, seen_at=later)
        assert [s.hash for s in tx.sessions_of("ada")] == ["h2"]


def test_sessions_that_ended_are_forgotten(with_ada: Store) -> None:
    with with_ada.transaction() as tx:
        tx.end_old_sessions(begun_before=NOW - DAY, seen_before=NOW - MINUTE)
        assert tx.session("h1") == SESSION
        tx.session_seen("h1", NOW + HOUR)
        tx.end_old_sessions(begun_before=NOW - DAY, seen_before=NOW + MINUTE)
        assert tx.session("h1") is not None
        tx.end_old_sessions(begun_before=NOW + MINUTE, seen_before=NOW)
        assert tx.session("h1") is None


def test_a_token_is_found_by_its_hash_and_its_name_until_it_is_removed(store: Store) -> None:
    token = ProgramToken(name="panel", hash="abc", role=Role.LOOK, made_at=NOW, ends_at=NOW + DAY)
    with store.transaction() as tx:
        tx.save_token(token)
        assert tx.token(hashed="abc") == token
        assert tx.token(name="panel") == token
        assert tx.tokens() == (token,)
        assert tx.remove_token("panel")
        assert tx.token(hashed="abc") is None


def test_the_audit_trail_gives_the_newest_first_and_cuts_what_is_long(store: Store) -> None:
    with store.transaction() as tx:
        for number in range(3):
            at = NOW + timedelta(minutes=number)
            tx.add_audit(AuditLine(at=at, who="ada", address="::1", what="signed-in"))
        tx.add_audit(AuditLine(at=NOW, who="x" * 999, address="", what="refused", about="y\0"))
        lines = tx.audit(limit=2)
        assert [line.what for line in lines] == ["refused", "signed-in"]
        assert len(lines[0].who) == 100
