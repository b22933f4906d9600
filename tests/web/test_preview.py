"""The preview is the case side's own answer: what it says is what then happens."""

from __future__ import annotations

from datetime import timedelta

from tests.web.stage import COMPARED, stage_at
from watcher.cases.observations import Silenced, WorkAnnounced
from watcher.cases.state import Expectation, ExpectKind, ScopeKind
from watcher.demo.story import LOST, ORCHARD
from watcher.service.desk import Desk, last_view
from watcher.web.preview import Preview, preview

STAGE = stage_at(COMPARED)
NOW = STAGE.clock.now()
POLICY = STAGE.site.terms.standing.policy
with STAGE.store.snapshot() as _tx:
    BOOK = _tx.load_book(STAGE.site.box)
    VIEW = last_view(_tx, STAGE.site.box, NOW)


def silence(key: str = ORCHARD, hours: float = 3) -> Silenced:
    return Silenced(
        scope=ScopeKind.POOL, key=key, by="ada", reason="known", until=NOW + timedelta(hours=hours)
    )


def work(*expects: Expectation, begins_in: float = 0) -> WorkAnnounced:
    begins = NOW + timedelta(hours=begins_in)
    return WorkAnnounced(
        by="ada",
        reason="r",
        begins=begins,
        ends=begins + timedelta(hours=3),
        expects=expects,
        pool=ORCHARD,
        pool_name="orchard",
    )


REPLACE = Expectation(kind=ExpectKind.REPLACE, drive=LOST, said="replace bay 5")


def bays(found: Preview, *, sounding: bool) -> set[str]:
    return {
        one.label.partition(" (")[0] for one in (found.sounding_if if sounding else found.silent_if)
    }


def test_a_silent_pool_is_silent_as_a_whole_and_the_other_pool_sounds() -> None:
    found = preview(BOOK, silence(), POLICY, VIEW, NOW)
    assert bays(found, sounding=False) == {f"bay {n}" for n in (1, 2, 3, 4, 6)}
    assert bays(found, sounding=True) == {"bay 7", "bay 8"}


def test_announced_is_the_one_drive_and_any_other_sounds() -> None:
    found = preview(BOOK, work(REPLACE), POLICY, VIEW, NOW)
    assert bays(found, sounding=False) == set()
    assert bays(found, sounding=True) == {f"bay {n}" for n in (1, 2, 3, 4, 6, 7, 8)}
    assert "margin-thinned" in {h.finding.rule for h in found.silent}


def test_work_that_begins_later_is_heard_as_it_will_be_then() -> None:
    later = preview(BOOK, work(REPLACE, begins_in=5), POLICY, VIEW, NOW)
    assert "margin-thinned" in {h.finding.rule for h in later.silent}


def test_what_would_be_refused_is_said_and_nothing_else() -> None:
    found = preview(BOOK, silence(hours=24 * 365), POLICY, VIEW, NOW)
    assert found == Preview(refused=found.refused)
    assert "at most" in found.refused


def test_what_the_preview_calls_silent_is_silent_when_it_is_done() -> None:
    stage = stage_at(COMPARED)
    desk = Desk(stage.store, stage.site.terms.standing)
    found = preview(BOOK, silence(), POLICY, VIEW, NOW)
    desk.hear(silence(), NOW)
    with stage.store.snapshot() as tx:
        book = tx.load_book(stage.site.box)
    hushed = {c.number for c in book.open_cases if c.hushed}
    silent = {h.finding.key for h in found.silent}
    assert hushed
    for case in book.open_cases:
        if case.number in hushed:
            assert {f.key for f in case.standing if f.urgency.rank} <= silent


def test_without_a_survey_only_what_holds_now_is_heard() -> None:
    found = preview(BOOK, silence(), POLICY, None, NOW)
    assert found.silent
    assert found.silent_if == found.sounding_if == ()
