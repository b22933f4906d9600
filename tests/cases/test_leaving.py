"""What leaves now: from words that wait for a person to one message."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta

from tests.cases.build import ORCHARD, START, Desk, finding
from watcher.cases.leaving import FLOOD_GAP, FLOOD_MESSAGES
from watcher.cases.observations import Acknowledged, SurveyJudged
from watcher.cases.policy import Hours, Person, Policy
from watcher.cases.state import NoticeKind, Pending
from watcher.facts.finding import Urgency
from watcher.facts.identity import DriveId, about_drive, about_pool

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
GONE = finding("margin-gone", about_pool(ORCHARD), Urgency.NOW, label="orchard")
NIGHT = (Hours(begin=time(22, 0), end=time(7, 0)),)


def test_what_calms_is_not_said_when_it_is_true_no_more() -> None:
    """An all-clear that waited for the morning is dropped when the trouble came back meanwhile."""
    policy = Policy(people=(Person(name="ada", quiet=NIGHT), Person(name="ben")))
    desk = Desk(policy=policy, now=START.replace(hour=20))
    desk.survey(replace(GONE, urgency=Urgency.TODAY))
    desk.now = desk.now.replace(hour=23)
    for _ in range(2):
        desk.now += 11 * MINUTE
        desk.survey()
    desk.now += HOUR
    desk.survey(replace(GONE, urgency=Urgency.TODAY))
    desk.wait(12 * HOUR)
    kinds = [k for person, k in desk.heard() if person == "ada"]
    assert ("all-clear",) not in kinds
    assert kinds[:2] == [("opened",), ("returned",)]


def test_taken_is_dropped_when_nobody_has_it_any_more() -> None:
    desk = Desk(policy=Policy(people=(Person(name="ada"), Person(name="ben"))))
    desk.survey(GONE)
    desk.tell(Acknowledged(case=1, by="ben", until=desk.now + 20 * HOUR))
    desk.now += 10 * MINUTE / 100
    desk.survey(replace(GONE, level=1))
    assert ("ada", ("taken",)) not in desk.heard()


def test_who_took_a_case_in_the_night_is_not_alarmed_about_it_in_the_morning() -> None:
    policy = Policy(people=(Person(name="ada", quiet=NIGHT), Person(name="ben")))
    desk = Desk(policy=policy)
    desk.now = START.replace(hour=23)
    desk.survey(finding())
    desk.tell(Acknowledged(case=1, by="ada", until=desk.now + 24 * HOUR))
    desk.wait(12 * HOUR)
    assert [kinds for person, kinds in desk.heard() if person == "ada"] == []
    desk.survey(finding(urgency=Urgency.NOW))
    assert ("ada", ("opened",)) in desk.heard(desk.now), "what is news is told"


def test_a_flood_is_gathered_into_one_message_for_each_gap() -> None:
    """Eleven new troubles a minute apart and more: at most ten messages in ten minutes."""
    desk = Desk(policy=Policy(people=(Person(name="ada"),), gather=timedelta(0)))
    for number in range(40):
        lost = [
            finding("drive-gone", about_drive(DriveId(f"D{n}")), pool=None, label=f"bay {n}")
            for n in range(number + 1)
        ]
        desk.survey(*lost)
        desk.wait(timedelta(seconds=15))
    early = [at for at, _ in desk.said if at - START < 10 * MINUTE]
    assert len(early) == FLOOD_MESSAGES
    desk.wait(2 * FLOOD_GAP)
    assert len(desk.said) <= FLOOD_MESSAGES + 2
    told_of = {item.case for _, tell in desk.said for item in tell.items}
    assert told_of == set(range(1, 41)), "nothing was lost in the flood"


def test_words_about_a_case_that_left_the_book_are_said_all_the_same() -> None:
    desk = Desk()
    word = Pending(
        person="ada",
        kind=NoticeKind.ALL_CLEAR,
        case=77,
        urgency=Urgency.NOTE,
        not_before=START,
        number=1,
    )
    desk.book = replace(desk.book, pending=(word,))
    desk.tell(SurveyJudged(findings=(), seen=frozenset(), taken_at=START))
    assert desk.heard() == [("ada", ("all-clear",))]


def test_a_very_long_key_is_shortened_and_stays_the_same_for_the_same_words() -> None:
    def key() -> str:
        desk = Desk()
        desk.survey(
            *(
                finding("x", about_drive(DriveId(f"D{n}")), pool=None, label=f"bay {n}")
                for n in range(60)
            )
        )
        return desk.said[0][1].key

    assert key() == key()
    assert len(key()) < 100
