from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from jinja2 import UndefinedError
from markupsafe import Markup

from tests.web.stage import COMPARED, WORSE, stage_at
from watcher.facts.identity import BoxId
from watcher.service.mark import Mark
from watcher.store.accounts import Role
from watcher.store.database import open_store
from watcher.store.signing import KEY_SERVES
from watcher.web.ask import Ask, Holder, Refusal
from watcher.web.site import DONE, MOST_KEPT, draw, make_templates, refuse_page

HOLDER = Holder(name="ada", by="ada", role=Role.LOOK, bond="b")


def ask(**words: object) -> Ask:
    stage = stage_at(WORSE)
    return Ask(method="GET", path="/", now=stage.clock.now(), holder=HOLDER, **words)  # type: ignore[arg-type] # words of a test


def test_everything_that_is_drawn_is_escaped() -> None:
    reply = refuse_page(stage_at(WORSE).site, ask(), Refusal(422, "<script>alert(1)</script>"))
    assert b"<script>alert" not in reply.bytes
    assert b"&lt;script&gt;" in reply.bytes
    assert reply.status == 422


def test_a_word_that_is_missing_in_a_page_is_an_error_and_not_a_blank() -> None:
    with pytest.raises(UndefinedError):
        draw(stage_at(WORSE).site, ask(), "refused.html", {})


def test_no_page_has_a_script_or_a_style_of_its_own() -> None:
    made = make_templates()
    for name in made.list_templates():
        assert made.loader is not None
        source, _, _ = made.loader.get_source(made, name)
        source = source.replace('<script src="/static/', "")
        for words in ("<script", "style=", "onclick", "onload", "| safe", "|safe"):
            assert words not in source, (name, words)


def just_done(word: str) -> Ask:
    return ask(query={"done": word, "at": str(int(ask().now.timestamp()))})


EMPTY = {"lines": [], "over": [], "all": True, "cut": False}


def test_what_was_done_is_told_by_a_word_of_ours_only() -> None:
    site = stage_at(WORSE).site
    for word, said in DONE.items():
        assert (
            said.split(".")[0].encode()
            in draw(
                site,
                just_done(word),
                "cases.html",
                EMPTY,
            ).bytes
        )
    page = draw(site, just_done("You won"), "cases.html", EMPTY)
    assert b"You won" not in page.bytes


def test_a_page_is_about_the_box_that_is_named_or_the_only_one() -> None:
    site = stage_at(COMPARED).site
    with site.store.snapshot() as tx:
        assert site.box_asked(tx, ask()) == "attic"
        assert site.box_asked(tx, ask(query={"box": "attic"})) == "attic"
        for wrong in ("elsewhere", "ATTIC"):
            with pytest.raises(Refusal):
                site.box_asked(tx, ask(query={"box": wrong}))
        limited = replace(ask(), holder=replace(HOLDER, boxes=(BoxId("elsewhere"),)))
        with pytest.raises(Refusal):
            site.box_asked(tx, limited)


def test_a_key_signs_until_its_time_is_over() -> None:
    stage = stage_at(WORSE)
    first = stage.site.sign_key(stage.clock.now())
    assert stage.site.sign_key(stage.clock.now()) == first
    stage.clock.pass_by(KEY_SERVES)
    assert stage.site.sign_key(stage.clock.now()).secret != first.secret


def test_what_was_computed_is_kept_within_bounds_and_the_latest_stays() -> None:
    """A program that reads the metrics of ten thousand boxes must not leave them all in memory."""
    site = stage_at(WORSE).site
    for number in range(2 * MOST_KEPT):
        site.keep("the first, again and again", number)
        site.keep(f"glance {number}", number)
    assert len(site.kept) == MOST_KEPT
    assert site.kept["the first, again and again"] == 2 * MOST_KEPT - 1
    assert f"glance {2 * MOST_KEPT - 1}" in site.kept
    assert "glance 0" not in site.kept


def test_a_name_cannot_turn_the_order_in_which_a_page_is_read() -> None:
    """Unicode's bidirectional controls (UAX 9): a drive named with them would look like another."""
    page = make_templates().from_string("<p>{{ name }}</p>{{ markup }}")
    drawn = page.render(name="sda\u202e<b>\u2066رف", markup=Markup("<i>\u202d°</i>"))
    assert drawn == "<p>sda&lt;b&gt;رف</p><i>°</i>"


def test_while_the_watch_is_in_memory_each_page_says_that_it_is_not_all(tmp_path: Path) -> None:
    stage = stage_at(WORSE)
    path = tmp_path / "midwatch.db"
    mark = Mark(path)
    with open_store(path, now=stage.clock.now()) as store:
        site = replace(stage.site, store=store)

        def page(asked: Ask) -> bytes:
            return refuse_page(site, asked, Refusal(404, "x")).bytes

        assert b"in memory" not in page(ask())
        mark.show()
        assert b"an answer given here may be lost" in page(ask())
        assert b"has not been looked at" not in page(ask()), "its memory knows more"
        assert b"in memory" not in page(replace(ask(), holder=None)), "nobody's business"
        mark.take_down()
        assert b"in memory" not in page(ask())
    mark.close()
