"""Who is told now, and when again."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta

import pytest

from tests.cases.build import ORCHARD, START, Desk, finding
from watcher.cases.draft import Draft
from watcher.cases.observations import Acknowledged, HandedOver, Silenced
from watcher.cases.policy import Hours, Ladder, LadderChoice, Person, Policy, Rung
from watcher.cases.sounding import climb, hurry
from watcher.cases.state import NoticeKind, ScopeKind
from watcher.facts.finding import Urgency
from watcher.facts.identity import DriveId, about_drive, about_pool

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
GONE = finding("margin-gone", about_pool(ORCHARD), Urgency.NOW, label="orchard")
NIGHT = (Hours(begin=time(22, 0), end=time(7, 0)),)


def ladder(*names: str, wait: timedelta = 15 * MINUTE) -> tuple[LadderChoice, ...]:
    rungs = tuple(Rung(people=(name,), wait=wait) for name in names)
    return (LadderChoice(ladder=Ladder(rungs=rungs, repeat_first=wait, repeat_longest=4 * HOUR)),)


def people(*, asleep: tuple[str, ...] = (), away: tuple[str, ...] = ()) -> Policy:
    return Policy(
        people=tuple(
            Person(
                name=name,
                quiet=NIGHT if name in asleep else (),
                away_until=START + timedelta(days=9) if name in away else None,
            )
            for name in ("ada", "ben", "cleo")
        ),
        ladders=ladder("ada", "ben", "cleo"),
    )


def told(desk: Desk) -> list[tuple[int, str]]:
    return [(int((at - desk.said[0][0]) / MINUTE), tell.person) for at, tell in desk.said]


def test_the_ladder_is_climbed_and_its_last_rung_repeats() -> None:
    desk = Desk(policy=people())
    desk.survey(GONE)
    desk.wait(2 * HOUR)
    assert told(desk)[:5] == [(0, "ada"), (15, "ben"), (30, "cleo"), (45, "cleo"), (75, "cleo")]


def test_who_is_away_is_passed_over_on_every_rung() -> None:
    desk = Desk(policy=people(away=("ada", "ben")))
    desk.survey(GONE)
    assert told(desk) == [(0, "cleo")]


def test_the_ladder_goes_past_those_who_sleep_with_it_to_one_who_is_up() -> None:
    """A thing for today at night: the two who sleep get it in the morning, the third at once."""
    desk = Desk(policy=people(asleep=("ada", "ben")), now=START.replace(hour=1))
    desk.survey(replace(GONE, urgency=Urgency.TODAY))
    desk.wait(HOUR)
    assert {person for _, person in told(desk)} == {"cleo"}


def test_a_night_in_which_nobody_can_be_told_counts_as_no_reminder() -> None:
    """They get the time to answer after they were really told, and one message, not five."""
    policy = Policy(people=(Person(name="ada", quiet=NIGHT),), ladders=ladder("ada"))
    desk = Desk(policy=policy, now=START.replace(hour=1))
    desk.survey(replace(GONE, urgency=Urgency.TODAY))
    desk.wait(6 * HOUR + 14 * MINUTE)
    assert desk.heard() == [("ada", ("opened",))]
    desk.wait(2 * MINUTE)
    assert desk.heard()[1:] == [("ada", ("reminder",))]


def test_a_word_that_waits_is_taken_up_by_a_later_one_that_leaves_first() -> None:
    """Held for the night, then the pool is bare: the morning does not bring the old word."""
    desk = Desk(policy=people(asleep=("ada",)), now=START.replace(hour=1))
    thin = finding("margin-thinned", about_pool(ORCHARD), Urgency.TODAY, label="orchard")
    desk.survey(thin)
    desk.now += 5 * MINUTE
    desk.survey(GONE)
    desk.tell(Acknowledged(case=1, by="ada", until=desk.now + 20 * HOUR))
    desk.wait(10 * HOUR)
    assert [kinds for person, kinds in desk.heard() if person == "ada"] == [("opened",)]


def test_a_handed_case_counts_the_rung_it_was_on_as_none() -> None:
    """After the one it was handed to, the ladder begins with its first rung."""
    desk = Desk(policy=people())
    desk.survey(GONE)
    desk.tell(HandedOver(case=1, by="ada", to="cleo"))
    desk.wait(16 * MINUTE)
    assert [person for _, person in told(desk)] == ["ada", "cleo", "ada"]


def test_climbing_without_a_ladder_or_a_sound_changes_nothing() -> None:
    desk = Desk()
    desk.survey(finding())
    case = desk.book.open_cases[0]
    draft = Draft(desk.book, desk.policy, desk.now)
    assert climb(draft, case, ()) is case
    assert climb(draft, replace(case, climb=None), case.standing).climb is None
    assert hurry(draft, case, ()) is case
    assert hurry(draft, case, case.standing) is case, "no more urgent than it was"
    assert hurry(draft, replace(case, climb=None), case.standing).climb is None


@pytest.mark.parametrize("reminded", [False, True])
def test_what_is_for_now_again_does_not_wait_for_the_reminder_of_this_week(
    *, reminded: bool
) -> None:
    """One look sees only a lesser trouble, and its reminder would come in a day."""
    doubt = finding("sectors-in-doubt", urgency=Urgency.THIS_WEEK)
    desk = Desk(policy=Policy(people=(Person(name="ada"),)))
    desk.survey(GONE, doubt)
    desk.wait(20 * MINUTE if reminded else MINUTE)
    desk.survey(doubt)
    desk.wait(3 * HOUR)
    before = len(desk.said)
    desk.survey(GONE, doubt)
    assert [i.kind for _, tell in desk.said[before:] for i in tell.items] == [NoticeKind.REMINDER]
    assert desk.said[-1][1].urgency is Urgency.NOW


def test_what_is_hushed_hurries_nobody() -> None:
    """The part of a case that is for now is silent: the rest keeps its own pace."""
    doubt = finding("sectors-in-doubt", urgency=Urgency.THIS_WEEK)
    desk = Desk(policy=Policy(people=(Person(name="ada"),)))
    desk.survey(doubt)
    desk.tell(
        Silenced(
            scope=ScopeKind.RULE,
            key="margin-gone",
            by="ada",
            reason="known",
            until=desk.now + 12 * HOUR,
        )
    )
    desk.wait(HOUR)
    desk.survey(GONE, doubt)
    desk.wait(5 * HOUR)
    assert len(desk.said) == 1


def test_when_everybody_is_away_the_last_rung_hears_all_the_same() -> None:
    desk = Desk(policy=people(away=("ada", "ben", "cleo")))
    desk.survey(GONE)
    assert told(desk) == [(0, "cleo")]


def test_who_is_handed_a_case_in_their_sleep_has_time_after_they_woke() -> None:
    policy = people(asleep=("cleo",))
    desk = Desk(policy=policy, now=START.replace(hour=6, minute=50))
    desk.survey(replace(GONE, urgency=Urgency.TODAY))
    desk.tell(HandedOver(case=1, by="ada", to="cleo"))
    desk.wait(24 * MINUTE)
    assert [person for _, person in told(desk)] == ["ada", "cleo"]
    desk.wait(2 * MINUTE)
    assert [person for _, person in told(desk)] == ["ada", "cleo", "ada"]


def test_who_was_told_by_the_first_version_hears_the_all_clear() -> None:
    """It did not write down when a message left."""
    desk = Desk(policy=people())
    desk.survey(GONE)
    (case,) = desk.book.cases
    desk.book = replace(desk.book, cases=(replace(case, told_at=None, last_told=()),))
    desk.wait(MINUTE)
    desk.survey()
    desk.wait(2 * HOUR)
    desk.survey()
    assert [tell.items[0].kind for _, tell in desk.said] == [
        NoticeKind.OPENED,
        NoticeKind.ALL_CLEAR,
    ]


def test_who_is_handed_a_case_in_their_sleep_reads_in_the_morning_from_whom_and_the_note() -> None:
    """The ladder tells them again with those who are up; the note is not lost behind that."""
    crew = Ladder(
        rungs=(Rung(people=("ada",), wait=15 * MINUTE), Rung(people=("ben", "cleo"), wait=HOUR)),
        repeat_first=HOUR,
        repeat_longest=4 * HOUR,
    )
    policy = replace(people(asleep=("cleo",)), ladders=(LadderChoice(ladder=crew),))
    desk = Desk(policy=policy, now=START.replace(hour=1))
    desk.survey(replace(GONE, urgency=Urgency.TODAY))
    desk.tell(HandedOver(case=1, by="ada", to="cleo", note="the spare is in the shed"))
    desk.wait(6 * HOUR + MINUTE)
    (item,) = [item for _, tell in desk.said if tell.person == "cleo" for item in tell.items]
    assert (item.kind, item.about) == (NoticeKind.HANDED_OVER, "ada: the spare is in the shed")


def test_who_just_heard_in_another_way_gets_the_time_of_their_rung_too() -> None:
    """Ben sleeps until seven, where two words wait for him: one message, and then 15 minutes."""
    desk = Desk(policy=people(asleep=("ben",)), now=START.replace(hour=6, minute=30))
    lost = replace(GONE, urgency=Urgency.TODAY)
    desk.survey(lost)
    desk.wait(20 * MINUTE)
    desk.survey(lost, finding(subject=about_drive(DriveId("D4"))))
    desk.wait(24 * MINUTE)
    assert told(desk) == [(0, "ada"), (20, "ada"), (30, "ben")]
    desk.wait(2 * MINUTE)
    assert told(desk)[3:] == [(45, "ben")]


def test_of_two_cases_that_wait_for_the_morning_both_are_told() -> None:
    desk = Desk(policy=people(asleep=("ben", "cleo")), now=START.replace(hour=1))
    alone = finding(pool=None)
    desk.survey(replace(GONE, urgency=Urgency.TODAY), alone)
    desk.wait(6 * HOUR)
    for name in ("ben", "cleo"):
        assert {i.case for _, t in desk.said if t.person == name for i in t.items} == {1, 2}, name


def test_news_is_told_to_all_who_know_of_the_case_and_so_is_its_end() -> None:
    """Two rungs were told; the message is about what is new, and the count goes on."""
    desk = Desk(policy=people())
    desk.survey(GONE)
    desk.wait(16 * MINUTE)
    (reminder,) = desk.said[-1][1].items
    assert (reminder.kind, reminder.finding) == (NoticeKind.REMINDER, GONE.key)
    new = finding(subject=about_drive(DriveId("D4")))
    desk.survey(GONE, new)
    desk.wait(MINUTE)
    assert {tell.person: tell.items[0].finding for _, tell in desk.said[2:]} == {
        "ada": new.key,
        "ben": new.key,
    }
    (case,) = desk.book.cases
    assert case.climb is not None
    assert (case.climb.rung, case.climb.since) == (0, START)
    for _ in range(3):
        desk.now += 10 * MINUTE
        desk.survey()
    assert desk.heard()[-2:] == [("ada", ("all-clear",)), ("ben", ("all-clear",))]
    assert [(r.what, r.text) for r in desk.records if r.what.startswith("told-")][:2] == [
        ("told-opened", "ada"),
        ("told-reminder", "ben"),
    ]


def test_who_is_handed_a_case_has_the_time_of_the_first_rung() -> None:
    waits = (10 * MINUTE, 2 * HOUR)
    rungs = tuple(Rung(people=(n,), wait=w) for n, w in zip(("ada", "ben"), waits, strict=True))
    steps = Ladder(rungs=rungs, repeat_first=HOUR, repeat_longest=4 * HOUR)
    desk = Desk(policy=replace(people(), ladders=(LadderChoice(ladder=steps),)))
    desk.survey(GONE)
    desk.tell(HandedOver(case=1, by="ada", to="cleo"))
    desk.wait(11 * MINUTE)
    assert told(desk) == [(0, "ada"), (0, "cleo"), (10, "ada")]


def test_what_is_for_now_again_goes_on_with_the_gaps_for_now() -> None:
    """Its reminder was due at 15 minutes, when less held: then at once, and half an hour later."""
    doubt = finding(urgency=Urgency.THIS_WEEK)
    desk = Desk(policy=Policy(people=(Person(name="ada"),)))
    desk.survey(GONE, doubt)
    desk.wait(14 * MINUTE)
    desk.survey(doubt)
    desk.wait(6 * MINUTE)
    desk.survey(GONE, doubt)
    desk.wait(HOUR)
    assert told(desk) == [(0, "ada"), (20, "ada"), (50, "ada")]


def test_what_grew_while_it_was_silent_is_told_once_when_that_ends() -> None:
    desk = Desk()
    desk.survey(GONE)
    until = desk.now + HOUR
    desk.tell(Silenced(scope=ScopeKind.POOL, key=ORCHARD, by="ada", reason="r", until=until))
    desk.survey(replace(GONE, level=1))
    desk.wait(HOUR + 14 * MINUTE)
    assert told(desk) == [(0, "ada"), (60, "ada")]
