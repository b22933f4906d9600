"""From findings to cases: where each belongs, what is cleared, what a late survey may do."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from tests.cases.build import EVERYTHING, ORCHARD, START, Desk, finding
from watcher.cases.observations import SurveyJudged
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import DriveId, PoolId, about_drive, about_pool, about_source

MINUTE = timedelta(minutes=1)
NOTE = Urgency.NOTE
BATCH = finding("same-batch-risk", about_pool(ORCHARD), NOTE, label="orchard")


def judged(desk: Desk, *findings: Finding, ago: timedelta = timedelta(0)) -> None:
    desk.tell(SurveyJudged(findings=findings, seen=EVERYTHING, taken_at=desk.now - ago))


def test_a_late_survey_clears_nothing_and_brings_back_nothing() -> None:
    """It was taken before the newest one: only what nobody heard of yet is taken from it."""
    desk = Desk()
    judged(desk, finding())
    desk.now += 10 * MINUTE
    judged(desk, ago=5 * MINUTE)  # in order: clears
    desk.now += MINUTE
    judged(desk, finding(), ago=20 * MINUTE)  # late: known and cleared since
    assert desk.book.open_cases[0].standing == ()
    judged(desk, finding("sectors-unreadable"), ago=20 * MINUTE)  # late: nobody heard of it
    assert [f.rule for f in desk.book.open_cases[0].standing] == ["sectors-unreadable"]
    judged(desk, ago=20 * MINUTE)
    assert desk.book.open_cases[0].standing, "a late survey is no proof"


def test_notes_have_a_case_of_their_own_and_hold_up_no_all_clear() -> None:
    desk = Desk()
    judged(desk, finding(), BATCH)
    assert len(desk.book.open_cases) == 2
    for _ in range(3):
        desk.now += 10 * MINUTE
        judged(desk, BATCH)
    assert desk.heard()[-1] == ("ada", ("all-clear",))
    assert [c.only_notes for c in desk.book.open_cases] == [True]


def test_a_note_that_rises_and_sinks_stands_in_one_case_only() -> None:
    """Otherwise the case that it left would never be over."""
    desk = Desk()
    judged(desk, BATCH)
    desk.now += 10 * MINUTE
    risen = replace(BATCH, urgency=Urgency.THIS_WEEK)
    judged(desk, risen, finding())
    assert [c.number for c in desk.book.open_cases if c.holds(BATCH.key)] == [2]
    for _ in range(3):
        desk.now += 10 * MINUTE
        judged(desk, BATCH)
    assert [c.number for c in desk.book.open_cases if c.holds(BATCH.key)] == [1]
    assert [c.number for c in desk.book.open_cases] == [1]


def test_a_case_is_called_by_the_name_of_its_pool_or_of_its_finding() -> None:
    """The pool's name where a survey gave it; else what the finding says; else the pool's id."""
    desk = Desk()
    other = replace(finding(), pool=None)
    own = finding("margin-gone", about_pool(ORCHARD), Urgency.NOW, label="pool orchard")
    judged(desk, own, other)
    assert {c.label for c in desk.book.cases} == {"pool orchard", "bay 3"}
    alone = Desk()
    judged(alone, finding())
    assert alone.book.cases[0].label == ORCHARD
    hidden = Desk()
    names = ((PoolId("md:other"), "cellar"), (ORCHARD, "orchard"))
    hidden.tell(
        SurveyJudged(findings=(finding(),), seen=frozenset(), hidden=names, taken_at=hidden.now)
    )
    assert hidden.book.cases[0].label == "orchard", "known from before, and not shown now"


def test_the_record_names_what_a_finding_is_about() -> None:
    """But not twice where its sentence does so already."""
    desk = Desk()
    named = replace(finding(), sentence="bay 3 has sectors in doubt")
    judged(desk, named, finding("x", about_source("md"), pool=None, label="the md arrays"))
    texts = [r.text for r in desk.records if r.what == "opened"]
    assert "bay 3 has sectors in doubt" in texts
    assert "x holds" in texts


def test_a_case_leaves_the_book_a_day_after_its_all_clear() -> None:
    desk = Desk()
    judged(desk, finding())
    for _ in range(2):
        desk.now += 15 * MINUTE
        judged(desk)
    assert desk.book.cases
    desk.now += timedelta(hours=24)
    judged(desk)
    assert desk.book.cases == ()
    desk.now += MINUTE
    judged(desk, finding())
    assert desk.book.cases[0].number == 2


def test_a_drive_that_is_there_again_is_not_gone_though_it_was_not_read() -> None:
    desk = Desk()
    gone = finding("drive-gone", about_drive(DriveId("D3")))
    judged(desk, gone)
    desk.now += 10 * MINUTE
    desk.tell(
        SurveyJudged(
            findings=(),
            seen=frozenset(),
            disproved=frozenset({gone.key}),
            taken_at=START + 10 * MINUTE,
        )
    )
    assert desk.book.open_cases[0].standing == ()


def test_the_record_tells_each_finding_that_came_and_went_and_a_case_that_came_back() -> None:
    desk = Desk()
    thinned = finding("margin-thinned", about_pool(ORCHARD), label="pool orchard")
    for standing in ((finding(),), (finding(), thinned), (finding(),), ()):
        judged(desk, *standing)
        desk.now += 10 * MINUTE
    desk.wait(3 * 60 * MINUTE)
    for standing in ((), (finding(),)):
        judged(desk, *standing)
        desk.now += 10 * MINUTE
    assert [(r.case, r.what, r.text) for r in desk.records] == [
        (1, "opened", "bay 3: sectors-in-doubt holds"),
        (1, "told-opened", "ada"),
        (1, "finding-joined", "pool orchard: margin-thinned holds"),
        (1, "told-worsened", "ada"),
        (1, "finding-cleared", "pool orchard: margin-thinned holds"),
        (1, "finding-cleared", "bay 3: sectors-in-doubt holds"),
        (1, "all-clear", ""),
        (1, "came-back", "bay 3: sectors-in-doubt holds"),
        (1, "told-returned", "ada"),
    ]
    (again,) = desk.book.open_cases
    assert (again.number, again.reopens, again.answer) == (1, 1, None)
    assert [h.since for h in again.held if h.cleared_at is None] == [desk.now - 10 * MINUTE]


def test_a_finding_that_still_stands_keeps_since_when_it_does() -> None:
    desk = Desk()
    for _ in range(3):
        judged(desk, finding())
        desk.now += 10 * MINUTE
    (held,) = desk.book.open_cases[0].held
    assert (held.since, held.seen_at) == (START, START + 20 * MINUTE)
