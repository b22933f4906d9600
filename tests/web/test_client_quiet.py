"""Quiet for all boxes of a client: what it would do, that it does it, and how it ends."""

from __future__ import annotations

from datetime import timedelta
from urllib.parse import urlencode

import pytest

from tests.web.browser import Browser
from tests.web.hub_stage import HubStage, hub_stage, signed_in
from tests.web.stage import stage_at
from watcher.cases.state import ScopeKind
from watcher.facts.identity import BoxId

ADDRESS = "/client/quiet?client=Harbour+Print+Room"


@pytest.fixture
def stage() -> HubStage:
    return hub_stage()


def silences(stage: HubStage, box: str) -> list[tuple[ScopeKind, str]]:
    with stage.site.store.snapshot() as tx:
        now = stage.clock.now()
        held = tx.load_book(BoxId(box)).silences
        return [(s.scope, s.key) for s in held if s.until > now]


def until(stage: HubStage) -> str:
    return (stage.clock.now() + timedelta(hours=5)).isoformat().replace("+", "%2B")


def test_the_preview_names_what_goes_silent_in_all_boxes_and_does_nothing(stage: HubStage) -> None:
    page = signed_in(stage).get(f"{ADDRESS}&until={until(stage)}&reason=moving")
    assert "Silent from then on" in page.text
    assert "press" in page.text
    assert "barn" not in page.text
    assert silences(stage, "press") == []


def test_it_silences_every_box_of_the_client_and_no_other_and_is_ended_at_once(
    stage: HubStage,
) -> None:
    browser = signed_in(stage)
    page = browser.get(f"{ADDRESS}&until={until(stage)}&reason=moving")
    done = browser.send(next(f for f in page.forms if f.method == "post"))
    assert done.status == 303
    kept = [(ScopeKind.CLIENT, "Harbour Print Room")]
    assert silences(stage, "press") == silences(stage, "archive") == kept
    assert silences(stage, "barn") == []
    with stage.site.store.snapshot() as tx:
        weighty = [c for c in tx.load_book(BoxId("press")).open_cases if c.is_weighty]
        assert weighty
        assert all(case.hushed for case in weighty)
        assert tx.audit(limit=1)[0].what == "silenced-client"
    listed = browser.get("/quiet")
    assert listed.text.count("All boxes of Harbour Print Room") == 1
    assert browser.send(listed.form("/client/quiet/end")).status == 303
    assert silences(stage, "press") == silences(stage, "archive") == []
    assert "All boxes of" not in browser.get("/quiet").text


def test_work_on_one_box_is_announced_from_the_hub_and_covers_no_other(stage: HubStage) -> None:
    """By the form of the box; who belongs to another client cannot see it."""
    browser = signed_in(stage)
    form = next(f for f in browser.get("/work?box=press").forms if f.method == "get")
    filled = urlencode(form.fields | {"expect box-off": "yes", "hours": "3", "reason": "moving"})
    page = browser.get(f"{form.action}?{filled}")
    done = browser.send(next(f for f in page.forms if f.method == "post"))
    assert done.status == 303
    with stage.site.store.snapshot() as tx:
        works = {box: tx.load_book(BoxId(box)).works for box in ("press", "archive", "barn")}
    assert [(w.by, w.reason) for w in works["press"]] == [("sam", "moving")]
    assert works["archive"] == works["barn"] == ()
    assert "Moving" in browser.get("/quiet").text
    assert signed_in(stage, "orchard").get("/work?box=press").status == 404


def test_too_long_a_silence_and_one_without_a_reason_are_refused_in_every_box(
    stage: HubStage,
) -> None:
    browser = signed_in(stage)
    far = (stage.clock.now() + timedelta(days=4000)).isoformat().replace("+", "%2B")
    assert "at most" in browser.get(f"{ADDRESS}&until={far}").text
    page = browser.get(f"{ADDRESS}&until={until(stage)}")
    form = next(f for f in page.forms if f.method == "post")
    assert browser.send(form, reason="").status == 422
    form = next(f for f in browser.get(f"{ADDRESS}&until={until(stage)}").forms
                if f.method == "post")  # fmt: skip
    assert browser.send(form, reason="x", until=far.replace("%2B", "+")).status == 422
    assert silences(stage, "press") == silences(stage, "archive") == []


def test_somebody_of_a_client_can_silence_their_own_boxes_only(stage: HubStage) -> None:
    browser = signed_in(stage, "ann")
    assert browser.get("/client/quiet?client=Orchard+Press").status == 404
    assert "archive" in browser.get(ADDRESS).text


def test_a_single_box_has_no_such_page() -> None:
    single = stage_at()
    browser = Browser(single.site)
    browser.sign_in("max")
    assert browser.get("/client/quiet").status == 404
    assert browser.get("/client").status == 404
    assert browser.get("/").status == 200
