from dataclasses import replace

import pytest

from tests.web.stage import PUBLIC, stage_at
from watcher.facts.identity import BoxId
from watcher.service.links import new_link
from watcher.store.accounts import Role
from watcher.web.ask import Ask, Holder, Refusal, Reply, go_to, not_found

NOW = stage_at().clock.now()
HOLDER = Holder(name="ada", by="ada", role=Role.ACT, bond="b")


def test_a_field_that_was_not_filled_in_is_empty_and_blanks_around_are_cut() -> None:
    ask = Ask(method="POST", path="/", now=NOW, form={"note": ("  a word ", "another")})
    assert ask.field("note") == "a word"
    assert ask.field("until") == ""


def test_nobody_is_asked_for_where_nobody_had_to_be_known() -> None:
    with pytest.raises(RuntimeError):
        _ = Ask(method="GET", path="/", now=NOW).who


def test_a_holder_sees_all_boxes_or_the_named_ones_or_that_of_the_link() -> None:
    attic, other = BoxId("attic"), BoxId("other")
    assert HOLDER.may_see(attic)
    assert not replace(HOLDER, boxes=(other,)).may_see(attic)
    linked = replace(HOLDER, link=new_link("ada", attic, 1, NOW))
    assert linked.may_see(attic)
    assert not linked.may_see(other)


def test_what_is_secret_about_a_holder_is_not_printed() -> None:
    holder = replace(HOLDER, bond="bond-x", link_text="link-x", session="session-x")
    assert "-x" not in repr(holder)


def test_a_reply_goes_over_the_wire_as_utf_8() -> None:
    assert Reply(body="ü").bytes == "ü".encode()
    assert go_to("/x").headers == (("location", "/x"),)
    assert go_to("/x").status == 303


def test_what_is_not_there_and_what_may_not_be_seen_are_told_in_the_same_words() -> None:
    refusal = not_found("box of that name")
    assert isinstance(refusal, Refusal)
    assert refusal.status == 404
    assert PUBLIC not in refusal.sentence
