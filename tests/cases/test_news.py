"""What is news at once, what may wait, and what people know already."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.cases.build import ORCHARD, START, Desk, finding
from watcher.cases.news import News, weigh
from watcher.cases.observations import Acknowledged, Silenced
from watcher.cases.state import Case, NoticeKind, ScopeKind, ToldOf
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import DriveId, about_drive, about_pool, about_source

POOL = about_pool(ORCHARD)
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
NOW, TODAY, WEEK, NOTE = Urgency.NOW, Urgency.TODAY, Urgency.THIS_WEEK, Urgency.NOTE


def told(*findings: Finding, faded: bool = False, hushed: bool = False) -> Case:
    marks = tuple(
        ToldOf(
            key=f.key,
            urgency=NOTE if faded else f.urgency,
            level=0 if faded else f.level,
            hushed=hushed,
        )
        for f in findings
    )
    return Case(number=1, locus=POOL, label="orchard", opened_at=START, held=(), told_of=marks)


BARE = finding("margin-gone", POOL, NOW, level=2)
THIN = finding("margin-thinned", POOL, TODAY, level=1)
BROKEN = finding("pool-broken", POOL, NOW, level=3)
OTHER = about_drive(DriveId("D4"))


@pytest.mark.parametrize(
    ("before", "found", "news"),
    [
        ((), finding(urgency=WEEK), News.AT_ONCE),
        ((finding(),), finding(), News.NONE),
        ((finding(),), finding(urgency=NOW), News.AT_ONCE),
        ((finding(),), finding(urgency=WEEK, level=9), News.NONE),
        ((finding(),), finding(level=1), News.LATER),
        ((finding(),), finding("sectors-unreadable"), News.NONE),  # a further symptom
        ((finding(),), finding("drive-gone"), News.AT_ONCE),
        ((finding(),), finding("sectors-unreadable", urgency=NOW), News.AT_ONCE),
        ((finding(),), finding("sectors-in-doubt", OTHER), News.AT_ONCE),
        ((finding(),), finding("sectors-in-doubt", OTHER, WEEK), News.NONE),
        ((finding(urgency=WEEK),), finding("x", OTHER, WEEK), News.AT_ONCE),
        ((BARE, finding(urgency=WEEK)), finding("x"), News.AT_ONCE),  # that drive got worse
        ((BARE,), finding("rebuild-cannot-finish", POOL, NOW), News.AT_ONCE),
        ((BARE,), finding("cannot-see-source", about_source("md"), TODAY), News.AT_ONCE),
        ((BARE,), replace(BARE, level=3), News.AT_ONCE),  # one member more is lost
        ((BARE,), replace(BARE, level=1), News.NONE),
        ((BARE,), THIN, News.NONE),  # it got better
        ((BARE,), BROKEN, News.AT_ONCE),
        ((BROKEN,), BARE, News.NONE),
        ((THIN,), BARE, News.AT_ONCE),
    ],
)
def test_each_finding_weighs_against_what_people_know(
    before: tuple[Finding, ...], found: Finding, news: News
) -> None:
    assert weigh(told(*before), found) is news


def test_a_return_and_the_end_of_a_hush_are_news() -> None:
    assert weigh(told(BARE, faded=True), BARE) is News.AT_ONCE
    assert weigh(told(BARE, hushed=True), BARE) is News.AT_ONCE


def test_what_was_better_for_ten_minutes_is_news_when_it_returns_and_then_for_twenty() -> None:
    """Each return has to be away for twice as long: a cable that flaps does not ring all night.

    Where it is no news the ladder goes on, with its growing gaps.
    """
    desk = Desk()
    other = finding("sectors-in-doubt", OTHER)
    heard = []
    for away in (5, 15, 15, 25, 15):
        desk.survey(BARE, other)
        desk.now += 5 * MINUTE
        desk.survey(other)
        desk.now += away * MINUTE
        desk.survey(other)
        before = len(desk.said)
        desk.survey(BARE, other)
        heard.append([kind for _, kinds in desk.heard()[before:] for kind in kinds])
    assert heard == [[], ["returned"], ["reminder"], ["returned"], ["reminder"]]


def test_getting_better_is_no_news_and_the_rest_is_known() -> None:
    """Bare, then thinned for hours: once that it eased; then another member: that is news."""
    desk = Desk()
    desk.survey(BARE)
    desk.tell(Acknowledged(case=1, by="ada", until=desk.now + 50 * HOUR))
    for _ in range(24):
        desk.now += 5 * MINUTE
        desk.survey(THIN)
        keys = [known.key for known in desk.book.open_cases[0].told_of]
        assert sorted(keys) == sorted({BARE.key, THIN.key})  # each once, however often it is seen
    assert desk.heard() == [("ada", ("opened",)), ("ada", ("eased",))]
    desk.now += 10 * MINUTE
    desk.survey(replace(THIN, level=2))
    assert desk.heard()[-1] == ("ada", ("worsened",))


def test_what_is_left_of_a_loss_is_known_also_to_those_who_heard_of_it_before_the_loss() -> None:
    """Thinned, a second member lost for hours, the first filled: it eased, and came not again."""
    desk = Desk()
    for standing, looks in ((THIN, 1), (BARE, 12), (THIN, 24)):
        for _ in range(looks):
            desk.survey(standing)
            if standing is BARE and desk.book.cases[0].answer is None:
                desk.tell(Acknowledged(case=1, by="ada", until=desk.now + 50 * HOUR))
            desk.now += 5 * MINUTE
    assert [kinds for _, kinds in desk.heard()] == [("opened",), ("worsened",), ("eased",)]
    assert desk.book.cases[0].answer is not None
    desk.survey(replace(THIN, level=2))
    assert desk.heard()[-1] == ("ada", ("worsened",))


def test_who_was_woken_hears_that_it_eased_while_a_lesser_thing_holds() -> None:
    """Full margin is back and a cable still errs: without a word they would go on as if bare."""
    desk = Desk()
    cable = finding("wire-or-backplane", OTHER, WEEK)
    desk.survey(BARE, cable)
    desk.now += 5 * MINUTE
    desk.survey(cable)
    assert len(desk.said) == 1  # not before it has held for a while
    for _ in range(6):
        desk.now += 10 * MINUTE
        desk.survey(cable)
    assert desk.heard() == [("ada", ("opened",)), ("ada", ("eased",))]
    (item,) = desk.said[-1][1].items
    assert (item.urgency, item.finding) == (NOTE, cable.key)
    desk.survey()
    desk.now += 30 * MINUTE
    desk.survey()
    assert desk.heard()[-1] == ("ada", ("all-clear",))


def test_that_it_eased_is_not_said_where_it_is_over_or_silent_or_woke_nobody() -> None:
    over, quiet, lesser = Desk(), Desk(), Desk()
    cable = finding("wire-or-backplane", OTHER, WEEK)
    over.survey(BARE)
    quiet.survey(BARE, cable)
    quiet.tell(
        Silenced(
            scope=ScopeKind.POOL,
            key=str(ORCHARD),
            by="ada",
            reason="known",
            until=quiet.now + 50 * HOUR,
        )
    )
    lesser.survey(THIN, cable)
    for desk, left in ((over, ()), (quiet, (cable,)), (lesser, (cable,))):
        for _ in range(6):
            desk.now += 10 * MINUTE
            desk.survey(*left)
        kinds = [kind for _, kinds in desk.heard() for kind in kinds]
        assert "eased" not in kinds


def test_nothing_is_called_eased_where_data_is_lost() -> None:
    desk = Desk()
    desk.survey(BARE)
    for _ in range(6):
        desk.now += 10 * MINUTE
        desk.survey(replace(BROKEN, urgency=TODAY))
    assert "eased" not in [kind for _, kinds in desk.heard() for kind in kinds]


def test_a_margin_that_comes_and_goes_is_called_eased_more_and_more_rarely() -> None:
    desk = Desk()
    cable = finding("wire-or-backplane", OTHER, WEEK)
    for _ in range(72):  # twelve hours, an hour bare and an hour not
        for minute in range(12):
            desk.now += 10 * MINUTE
            desk.survey(*((BARE, cable) if minute < 6 else (cable,)))
    kinds = [kind for _, kinds in desk.heard() for kind in kinds]
    assert 1 <= kinds.count("eased") <= 4


def test_what_was_hushed_within_a_loud_case_sounds_when_its_hush_ends() -> None:
    """Another finding kept the case loud meanwhile; the end of the silence is heard anyway."""
    desk = Desk()
    other = finding("sectors-in-doubt", OTHER)
    desk.survey(BARE, other)
    desk.tell(
        Silenced(
            scope=ScopeKind.RULE,
            key="margin-gone",
            by="ada",
            reason="r",
            until=desk.now + 2 * HOUR,
        )
    )
    desk.wait(2 * HOUR + MINUTE)
    assert desk.said[-1][1].items[0].kind is NoticeKind.SILENCE_ENDED
    assert desk.said[-1][1].items[0].finding == BARE.key


def test_a_growth_that_waits_is_forgotten_when_it_calms_down() -> None:
    """No deadline is left behind, and nothing is said of it."""
    desk = Desk()
    desk.survey(finding(level=1))
    desk.now += 5 * MINUTE
    desk.survey(finding(level=2))
    assert desk.book.open_cases[0].grows_at is not None
    desk.now += 5 * MINUTE
    desk.survey()
    assert desk.book.open_cases[0].grows_at is None
    desk.wait(9 * HOUR)
    assert desk.heard() == [("ada", ("opened",))]
