"""What leaves now: from words that wait for a person to one message."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, time, timedelta

import pytest

from tests.cases.build import ORCHARD, START, Desk, finding
from watcher.cases.effects import Item
from watcher.cases.leaving import FLOOD_GAP, FLOOD_MESSAGES, ready_at
from watcher.cases.observations import Acknowledged, SurveyJudged, TimePassed
from watcher.cases.policy import Hours, Person, Policy
from watcher.cases.state import Answer, Book, NoticeKind, Pending, Sent
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId, DriveId, about_drive, about_pool

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


NOW, TODAY, NOTE = Urgency.NOW, Urgency.TODAY, Urgency.NOTE
K = NoticeKind


def word(
    kind: NoticeKind,
    number: int = 1,
    urgency: Urgency = TODAY,
    *,
    case: int = 1,
    about: str = "",
    at: datetime = START,
    person: str = "ada",
) -> Pending:
    return Pending(
        person=person,
        kind=kind,
        case=case,
        urgency=urgency,
        not_before=at,
        number=number,
        about=about,
    )


def told_of(desk: Desk, *words: Pending) -> list[Item]:
    """What ada hears of words that waited for her, and are due now."""
    desk.book = replace(desk.book, pending=words)
    desk.now += MINUTE
    before = len(desk.said)
    desk.tell(TimePassed())
    return [i for _, tell in desk.said[before:] if tell.person == "ada" for i in tell.items]


def with_case() -> Desk:
    """Case 1 stands and was told to ada, an hour ago."""
    desk = Desk(policy=Policy(people=(Person(name="ada"), Person(name="ben"))))
    desk.survey(finding(urgency=TODAY))
    desk.wait(HOUR)
    return desk


@pytest.mark.parametrize(
    ("earlier", "later", "said"),
    [
        (word(K.OPENED), word(K.REMINDER, 2, NOW), (K.OPENED, NOW, "")),
        (word(K.OPENED, 1, NOW), word(K.WORSENED, 2), (K.OPENED, NOW, "")),
        (word(K.UNEXPECTED, about="b"), word(K.WORSENED, 2), (K.UNEXPECTED, TODAY, "b")),
        (word(K.UNEXPECTED, about="b"), word(K.REMINDER, 2), (K.UNEXPECTED, TODAY, "b")),
        (word(K.SILENCE_BROKEN, about="b"), word(K.REMINDER, 2), (K.SILENCE_BROKEN, TODAY, "b")),
        (word(K.HANDED_OVER, about="b"), word(K.WORSENED, 2, NOW), (K.HANDED_OVER, NOW, "b")),
        (word(K.OPENED), word(K.UNEXPECTED, 2, about="b"), (K.UNEXPECTED, TODAY, "b")),
        (word(K.OPENED, 1, NOW), word(K.SILENCE_ENDED, 2), (K.SILENCE_ENDED, TODAY, "")),
        (word(K.UNEXPECTED, about="b"), word(K.SILENCE_ENDED, 2), (K.SILENCE_ENDED, TODAY, "")),
        (word(K.WORSENED, 1, NOW), word(K.REMINDER, 2), (K.REMINDER, TODAY, "")),
        (word(K.RETURNED), word(K.WORSENED, 2), (K.WORSENED, TODAY, "")),
        (word(K.RETURNED), word(K.ADDED, 2), (K.RETURNED, TODAY, "")),
        (word(K.WORSENED, 1, NOW), word(K.ADDED, 2), (K.WORSENED, NOW, "")),
        (word(K.WORSENED, 1, NOW), word(K.RETURNED, 2), (K.WORSENED, NOW, "")),
    ],
)
def test_of_two_words_that_waited_the_later_is_said_but_never_without_a_first_one(
    earlier: Pending, later: Pending, said: tuple[NoticeKind, Urgency, str]
) -> None:
    (item,) = told_of(with_case(), earlier, later)
    assert (item.kind, item.urgency, item.about) == said


@pytest.mark.parametrize(
    ("kind", "open_", "open_taken_by_ben", "taken_by_ada", "over"),
    [
        (K.REMINDER, True, False, False, False),
        (K.OPENED, True, True, False, True),
        (K.TAKEN, False, True, True, True),
        (K.ALL_CLEAR, False, False, False, True),
        (K.EASED, True, True, True, False),
    ],
)
def test_a_word_that_waited_is_said_while_it_is_true(
    kind: NoticeKind, *, open_: bool, open_taken_by_ben: bool, taken_by_ada: bool, over: bool
) -> None:
    for holder, closed, is_said in (
        (None, False, open_),
        ("ben", False, open_taken_by_ben),
        ("ada", False, taken_by_ada),
        (None, True, over),
    ):
        desk = with_case()
        (case,) = desk.book.cases
        answer = Answer(by=holder, at=desk.now, until=desk.now + HOUR) if holder else None
        if closed:
            case = replace(case, closed_at=desk.now)
        desk.book = replace(desk.book, cases=(replace(case, answer=answer),))
        assert bool(told_of(desk, word(kind, 9))) is is_said, (holder, closed)


def test_that_it_eased_is_not_said_when_people_were_told_of_it_again_meanwhile() -> None:
    desk = Desk()
    desk.survey(GONE)
    desk.wait(HOUR)
    assert told_of(desk, word(K.EASED, 9, NOTE)) == []


def test_words_about_no_case_and_words_for_others_take_up_nothing() -> None:
    """A digest that leaves is not the end of work that waits, nor is a word for ben one for ada."""
    desk = with_case()
    later = desk.now + 9 * HOUR
    ended = word(K.WORK_ENDED, 3, case=0, at=later)
    bens = word(K.OPENED, 1, at=later, person="ben")
    old = word(K.OPENED, 1, at=later)
    said = told_of(desk, ended, bens, old, word(K.DIGEST, 99, NOTE, case=0), word(K.WORSENED, 2))
    assert [item.kind for item in said] == [K.WORSENED, K.DIGEST]
    assert desk.book.pending == (ended, bens)


def test_of_planned_work_that_has_ended_it_is_not_said_that_it_ends_soon() -> None:
    said = told_of(
        with_case(),
        word(K.WORK_OVERRUNS, 3, case=0),
        word(K.WORK_ENDED, 3, case=0),
        word(K.WORK_OVERRUNS, 4, case=0),
    )
    assert [(item.kind, item.number) for item in said] == [
        (K.WORK_ENDED, 3),
        (K.WORK_OVERRUNS, 4),
    ]


def test_a_message_is_as_urgent_as_the_most_urgent_thing_in_it_and_begins_with_that() -> None:
    desk = with_case()
    ended = word(K.WORK_ENDED, 3, NOTE, case=0)
    told_of(desk, ended, word(K.WORSENED, 4, TODAY), word(K.WORK_ENDED, 5, NOW, case=0))
    tell = desk.said[-1][1]
    assert tell.urgency is NOW
    assert [item.number for item in tell.items] == [5, 4, 3]
    assert tell.key == "attic/ada/work-ended.5+1.4+work-ended.3", "or what left leaves again"
    assert [t.person for t in desk.book.cases[0].last_told] == ["ben", "ada"], "each once"


@pytest.mark.parametrize(
    ("sent", "urgency", "waits"),
    [
        (0, TODAY, 0 * MINUTE),
        (1, TODAY, MINUTE),  # the distance to the last, so that things are gathered
        (1, NOW, 0 * MINUTE),
        (9, TODAY, MINUTE),
        (10, TODAY, FLOOD_GAP),
        (19, NOW, 0 * MINUTE),
        (20, NOW, FLOOD_GAP),
        (22, NOW, 3 * FLOOD_GAP),
    ],
)
def test_when_the_next_message_may_leave_after_so_many_at_once(
    sent: int, urgency: Urgency, waits: timedelta
) -> None:
    """What waits since an hour for the gap goes with the first that may leave."""
    mine = (Sent(person="ada", at=START),) * sent
    book = Book(
        box=BoxId("attic"),
        pending=(word(K.OPENED, at=START - HOUR), word(K.OPENED, 2, urgency, case=2)),
        sent=(*mine, *(Sent(person="ben", at=START),) * 30),
    )
    assert max(ready_at(book, "ada", MINUTE, START), START) == START + waits
    assert ready_at(book, "ada", MINUTE, START + timedelta(hours=24)) < START + timedelta(hours=24)


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
    def key(count: int) -> str:
        desk = Desk()
        desk.survey(
            *(
                finding("x", about_drive(DriveId(f"D{n}")), pool=None, label=f"bay {n}")
                for n in range(count)
            )
        )
        return desk.said[0][1].key

    assert key(60) == key(60) != key(61)
    assert key(60).startswith("attic/ada/")
    assert len(key(60)) <= 80
