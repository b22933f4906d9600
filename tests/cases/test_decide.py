"""The promises of the case side, as conversations."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.cases.build import EVERYTHING, ORCHARD, START, Desk, finding, pool_seen
from watcher.cases.decide import decide, next_deadline
from watcher.cases.effects import Tell
from watcher.cases.observations import (
    Acknowledged,
    HandedOver,
    Observation,
    Silenced,
    SilenceLifted,
    SurveyJudged,
    TimePassed,
    WorkAnnounced,
    WorkEnded,
)
from watcher.cases.policy import Digest, Hours, Person, Policy
from watcher.cases.state import Book, Expectation, ExpectKind, NoticeKind, ScopeKind
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import BoxId, DriveId, PoolId, about_drive, about_pool, about_source
from watcher.facts.pool import Protection

GONE = finding("margin-gone", about_pool(ORCHARD), Urgency.NOW, label="orchard")


def ack(desk: Desk, hours: int = 5, by: str = "ada") -> None:
    desk.tell(
        Acknowledged(case=1, by=by, until=desk.now + timedelta(hours=hours), note="drive ordered")
    )


def test_one_trouble_makes_one_message() -> None:
    """A drive's symptoms and the pool's lost margin are one case and one message."""
    desk = Desk()
    desk.survey(finding(), finding("sectors-unreadable"), GONE)
    assert desk.heard() == [("ada", ("opened",))]
    assert len(desk.book.open_cases) == 1
    assert desk.book.open_cases[0].urgency is Urgency.NOW


def test_the_same_survey_twice_says_nothing_new() -> None:
    """Seeing the same again is no news."""
    desk = Desk()
    desk.survey(finding())
    desk.now += timedelta(minutes=10)
    desk.survey(finding())
    assert desk.heard() == [("ada", ("opened",))]


@pytest.mark.parametrize(
    ("urgency", "gaps"),
    [
        (Urgency.NOW, [15, 30, 60, 120, 240, 240, 240]),
        (Urgency.TODAY, [4 * 60, 8 * 60, 16 * 60, 24 * 60, 24 * 60]),
        (Urgency.THIS_WEEK, [24 * 60, 48 * 60, 72 * 60, 72 * 60]),
    ],
)
def test_an_unanswered_case_is_told_again_with_growing_bounded_gaps(
    urgency: Urgency, gaps: list[int]
) -> None:
    """``now`` repeats after 15, 30, 60, 120, 240 and then every 240 minutes."""
    desk = Desk()
    desk.survey(replace(GONE, urgency=urgency))
    desk.wait(timedelta(minutes=sum(gaps)))
    at = [when for when, _ in desk.said]
    assert [(b - a) / timedelta(minutes=1) for a, b in pairwise(at)] == gaps


def test_an_answer_stops_the_ladder_until_its_term() -> None:
    """While somebody has the case nobody is told again; afterwards it begins anew."""
    desk = Desk()
    desk.survey(GONE)
    ack(desk)
    answered = desk.now
    desk.wait(timedelta(hours=4, minutes=59))
    assert desk.heard(since=answered + timedelta(seconds=1)) == []
    desk.wait(timedelta(minutes=2))
    assert desk.heard(since=answered + timedelta(seconds=1)) == [("ada", ("answer-ended",))]


def test_a_trouble_that_returns_when_its_answer_is_over_is_told_though_it_is_no_news() -> None:
    """One look missed it as the term passed: nobody has it, and somebody must be told again."""
    for back_after in (timedelta(minutes=1), timedelta(hours=8)):
        desk = Desk()
        desk.survey(GONE)
        ack(desk, hours=1)
        ack(desk, hours=20, by="ben")
        desk.now += timedelta(minutes=55)
        desk.survey()
        desk.wait(timedelta(minutes=5) + back_after)
        assert desk.heard() == [("ada", ("opened",))]
        desk.survey(GONE)
        assert desk.heard()[1:] == [("ada", ("answer-ended",))]
        assert desk.said[-1][1].items[0].about == "ada"
        desk.wait(timedelta(minutes=16))
        assert desk.heard()[2:] == [("ada", ("reminder",))]


def test_news_breaks_an_answer_at_once() -> None:
    """A second drive in the same pool joins the case, raises it, and sounds."""
    desk = Desk()
    desk.survey(finding(urgency=Urgency.TODAY))
    ack(desk)
    desk.now += timedelta(minutes=10)
    worse = finding("sectors-unreadable", about_drive(DriveId("D4")), Urgency.NOW, label="bay 4")
    desk.survey(finding(urgency=Urgency.TODAY), worse)
    assert desk.heard()[-1] == ("ada", ("worsened",))
    assert desk.book.open_cases[0].answer is None
    assert len(desk.book.open_cases) == 1


def test_a_rising_level_is_news_and_a_falling_one_is_not() -> None:
    """One member more that is lost sounds at once; fewer, or as many again, do not."""
    desk = Desk()
    for level, expected in ((1, 1), (1, 1), (2, 2), (3, 3), (2, 3), (3, 3)):
        desk.now += timedelta(minutes=5)
        desk.survey(replace(GONE, level=level))
        assert len(desk.said) == expected, level


def test_a_drive_that_only_gets_worse_does_not_nag() -> None:
    """Growth of what is known sounds once the first reminder would: not with every survey."""
    desk = Desk()
    desk.survey(finding(level=1))
    ack(desk, hours=200)
    for level in range(2, 26):
        desk.now += timedelta(minutes=10)
        desk.survey(finding(level=level))
    assert desk.heard() == [("ada", ("opened",)), ("ada", ("worsened",))]
    assert desk.said[1][0] - desk.said[0][0] == timedelta(hours=4)


def test_a_growth_that_waits_sounds_when_its_time_has_come() -> None:
    """Without another survey the deadline itself brings it."""
    desk = Desk()
    desk.survey(finding(level=1))
    ack(desk, hours=200)
    desk.now += timedelta(minutes=10)
    desk.survey(finding(level=2))
    assert len(desk.said) == 1
    desk.wait(timedelta(hours=4))
    assert [tell.items[0].kind for _, tell in desk.said] == ["opened", "worsened"]


def test_every_term_is_kept_to_the_moment() -> None:
    """The end of an answer and of a silence is heard as it comes, without another look."""
    soon = START + timedelta(hours=3)
    pool = ScopeKind.POOL
    saids: tuple[tuple[Observation, str], ...] = (
        (Acknowledged(case=1, by="ada", until=soon), "answer-ended"),
        (Silenced(scope=pool, key=ORCHARD, by="ada", reason="r", until=soon), "silence-ended"),
    )
    for said, kind in saids:
        desk = Desk()
        desk.survey(GONE)
        desk.tell(said)
        assert next_deadline(desk.book, desk.policy, desk.now) == soon
        desk.wait(timedelta(hours=3) - timedelta(seconds=1))
        desk.wait(timedelta(seconds=1))
        assert [(at, tell.items[0].kind) for at, tell in desk.said[1:]] == [(soon, kind)]
        (ended,) = [r for r in desk.records if r.what == kind]
        assert (ended.at, ended.by) == (soon, "ada")


def test_what_was_not_seen_is_not_cleared() -> None:
    """A survey that could not see the drive leaves its finding standing."""
    desk = Desk()
    desk.survey(finding())
    for _ in range(6):
        desk.now += timedelta(minutes=10)
        desk.survey(seen=frozenset({about_pool(ORCHARD)}))
    assert desk.book.open_cases[0].standing
    assert desk.heard() == [("ada", ("opened",))]


def test_the_all_clear_needs_surveys_that_show_calm_for_the_settling_time() -> None:
    """Time alone closes nothing: after a long sleep the desk wants to look again."""
    desk = Desk()
    desk.survey(finding())
    desk.now += timedelta(minutes=10)
    desk.survey()
    desk.wait(timedelta(days=3))
    assert desk.book.open_cases, "quiet is no evidence"
    desk.survey()
    assert desk.heard()[-1] == ("ada", ("all-clear",))
    assert not desk.book.open_cases


def test_calm_pauses_the_ladder() -> None:
    """Nobody is reminded of something that does not hold any more."""
    desk = Desk()
    desk.survey(GONE)
    desk.now += timedelta(minutes=5)
    desk.survey()
    before = len(desk.said)
    desk.wait(timedelta(hours=5))
    assert len(desk.said) == before


def test_a_trouble_that_returns_within_a_day_is_the_same_case() -> None:
    """It keeps its number, says that it is back, and settles more slowly."""
    desk = Desk()
    desk.survey(finding())
    for _ in range(2):
        desk.now += timedelta(minutes=10)
        desk.survey()
    desk.now += timedelta(hours=2)
    desk.survey(finding())
    assert [kinds for _, kinds in desk.heard()] == [("opened",), ("all-clear",), ("returned",)]
    assert [c.number for c in desk.book.cases] == [1]
    desk.now += timedelta(minutes=10)
    desk.survey()
    desk.now += timedelta(minutes=10)
    desk.survey()
    assert desk.book.open_cases, "the second time calm must last twice as long"


def test_a_note_wakes_nobody() -> None:
    """Notes open a case and go into the regular message, and no further."""
    desk = Desk()
    desk.survey(finding("rebuild-running", about_pool(ORCHARD), Urgency.NOTE))
    desk.wait(timedelta(days=2))
    assert desk.said == []
    assert len(desk.book.open_cases) == 1


def test_the_first_answer_stands_and_the_second_is_recorded() -> None:
    """Two people answering at once: the first has the case, both are written down."""
    people = (Person(name="ada"), Person(name="ben"))
    desk = Desk(policy=Policy(people=people))
    desk.survey(GONE)
    ack(desk, by="ben")
    ack(desk, by="ada")
    case = desk.book.open_cases[0]
    assert case.answer is not None
    assert case.answer.by == "ben"
    assert [a.by for a in case.answers] == ["ben", "ada"]
    desk.wait(timedelta(minutes=2))
    assert ("ada", ("taken",)) in desk.heard()
    assert ("ben", ("taken",)) not in desk.heard()


def test_handing_over_tells_the_other_person_and_keeps_the_ladder_behind_them() -> None:
    """The one who is handed the case hears it at once; if they do not answer, it climbs."""
    desk = Desk(policy=Policy(people=(Person(name="ada"), Person(name="ben"))))
    desk.survey(GONE)
    ack(desk)
    desk.wait(timedelta(minutes=5))
    at = desk.now
    desk.tell(HandedOver(case=1, by="ada", to="ben", note="I am at the airport"))
    assert desk.heard(since=at) == [("ben", ("handed-over",))]
    desk.wait(timedelta(minutes=16))
    assert ("ada", ("reminder",)) in desk.heard(since=at)


def test_impossible_requests_are_refused_with_a_sentence() -> None:
    """Nothing changes, and the person is told what would be right."""
    desk = Desk()
    desk.survey(GONE)
    book = desk.book
    soon = desk.now + timedelta(hours=1)
    requests: tuple[Observation, ...] = (
        Acknowledged(case=9, by="ada", until=soon),
        Acknowledged(case=1, by=" ", until=soon),
        Acknowledged(case=1, by="ada", until=desk.now),
        Acknowledged(case=1, by="ada", until=desk.now + timedelta(days=400)),
        HandedOver(case=1, by="ada", to="nobody"),
        Silenced(scope=ScopeKind.RULE, key="x", by="ada", reason="", until=soon),
        Silenced(scope=ScopeKind.RULE, key="x", by="ada", reason="r", until=desk.now),
        Silenced(
            scope=ScopeKind.RULE, key="x", by="ada", reason="r", until=soon + timedelta(days=400)
        ),
        SilenceLifted(number=4, by="ada"),
        WorkAnnounced(by="ada", reason="r", begins=desk.now, ends=soon, expects=()),
        WorkEnded(number=4, by="ada"),
    )
    for request in requests:
        desk.tell(request)
        assert desk.book == book, request
    assert len(desk.refused) == len(requests)
    assert all(reason.endswith((".", "?")) for reason in desk.refused)


def test_a_silence_hides_the_sound_and_not_the_case() -> None:
    """What is silenced is recorded and shown; when the silence ends it sounds."""
    desk = Desk()
    until = desk.now + timedelta(hours=2)
    desk.tell(Silenced(scope=ScopeKind.POOL, key=ORCHARD, by="ada", reason="known", until=until))
    desk.survey(finding())
    assert desk.said == []
    assert desk.book.open_cases[0].hushed
    desk.wait(timedelta(hours=3))
    assert desk.heard() == [("ada", ("silence-ended",))]


def test_silencing_what_was_told_stops_the_ladder_and_its_end_starts_it_again() -> None:
    """A told, unanswered case does not fall through between silence and ladder."""
    desk = Desk()
    desk.survey(GONE)
    until = desk.now + timedelta(hours=2)
    desk.tell(Silenced(scope=ScopeKind.POOL, key=ORCHARD, by="ada", reason="r", until=until))
    desk.wait(timedelta(hours=2, minutes=1))
    assert [kinds for _, kinds in desk.heard()] == [("opened",), ("silence-ended",)]


def test_a_broken_pool_breaks_the_silence_and_says_so() -> None:
    """``pool-broken`` sounds whatever was silenced."""
    desk = Desk()
    until = desk.now + timedelta(days=2)
    desk.tell(Silenced(scope=ScopeKind.BOX, key="attic", by="ada", reason="moving", until=until))
    desk.survey(GONE)
    assert desk.said == []
    desk.now += timedelta(minutes=10)
    desk.survey(finding("pool-broken", about_pool(ORCHARD), Urgency.NOW))
    assert desk.heard() == [("ada", ("silence-broken",))]
    assert "ada" in desk.said[0][1].items[0].about


def replace_bay_3(desk: Desk, hours: int = 3) -> None:
    desk.tell(
        WorkAnnounced(
            by="ada",
            reason="new drive",
            begins=desk.now,
            ends=desk.now + timedelta(hours=hours),
            expects=(
                Expectation(kind=ExpectKind.REPLACE, drive=DriveId("D3"), said="replace bay 3"),
            ),
            pool=ORCHARD,
            pool_name="orchard",
        )
    )


def test_planned_work_is_silent_about_what_was_announced() -> None:
    """This drive gone, this pool bare, this rebuild: expected; whole at the end: a summary."""
    desk = Desk()
    replace_bay_3(desk)
    bare = pool_seen(Protection.BARE, ("D3",))
    desk.survey(finding("drive-gone"), GONE, pools=(bare,))
    desk.now += timedelta(minutes=30)
    rebuild = finding("rebuild-running", about_pool(ORCHARD), Urgency.NOTE)
    desk.survey(finding("drive-gone"), GONE, rebuild, pools=(bare,))
    desk.now += timedelta(minutes=30)
    desk.survey(pools=(pool_seen(),))
    assert desk.said == []
    desk.wait(timedelta(hours=3))
    assert desk.heard() == [("ada", ("work-ended",))]
    assert "nothing is left open" in desk.said[0][1].items[0].about


def test_the_wrong_drive_pulled_sounds_at_once_and_names_both() -> None:
    """Bay 2 left though bay 3 was announced."""
    desk = Desk()
    replace_bay_3(desk)
    wrong = finding("drive-gone", about_drive(DriveId("D2")), Urgency.TODAY, label="bay 2")
    desk.survey(wrong, GONE, pools=(pool_seen(Protection.BARE, ("D2",)),))
    assert desk.heard() == [("ada", ("unexpected",))]
    about = desk.said[0][1].items[0].about
    assert "bay 2" in about
    assert "replace bay 3" in about


def test_a_second_loss_during_planned_work_sounds() -> None:
    """Two members lost where one was announced is not expected."""
    desk = Desk()
    replace_bay_3(desk)
    desk.survey(GONE, pools=(pool_seen(Protection.BARE, ("D3",)),))
    assert desk.said == []
    desk.now += timedelta(minutes=10)
    desk.survey(GONE, pools=(pool_seen(Protection.BARE, ("D3",), count=2),))
    assert desk.heard() == [("ada", ("unexpected",))]


def test_work_that_overruns_is_told_before_it_ends_and_sounds_after() -> None:
    """Still bare at the end: a warning before, a comparison at the end, and the ladder starts."""
    desk = Desk()
    replace_bay_3(desk)
    end = desk.now + timedelta(hours=3)
    desk.survey(GONE, pools=(pool_seen(Protection.BARE, ("D3",)),))
    desk.wait(timedelta(hours=2, minutes=50))
    assert desk.heard() == [("ada", ("work-overruns",))]
    assert desk.said[0][0] < end
    desk.wait(timedelta(minutes=11))
    kinds = {kind for _, items in desk.heard(since=end) for kind in items}
    assert kinds == {"work-ended", "silence-ended"}


def test_another_pool_is_not_covered_by_planned_work() -> None:
    """Work on orchard says nothing about a drive that stands alone."""
    desk = Desk()
    replace_bay_3(desk)
    alone = finding(
        "drive-condemns-itself", about_drive(DriveId("D9")), Urgency.NOW, pool=None, label="bay 9"
    )
    desk.survey(alone)
    assert len(desk.heard()) == 1


def test_many_things_in_one_minute_make_one_message() -> None:
    """A failed controller takes 100 drives: one message with 100 items."""
    desk = Desk()
    lost = [
        finding("drive-gone", about_drive(DriveId(f"D{n}")), pool=None, label=f"bay {n}")
        for n in range(100)
    ]
    desk.survey(*lost)
    assert len(desk.said) == 1
    assert len(desk.said[0][1].items) == 100


def test_quiet_hours_hold_what_can_wait_and_never_now() -> None:
    """At 03:00 in Vienna ``today`` waits until 07:00, ``now`` does not."""
    night = Policy(
        people=(
            Person(
                name="ada",
                zone="Europe/Vienna",
                quiet=(Hours(begin=time(22, 0), end=time(7, 0)),),
            ),
        )
    )
    at_three = datetime(2026, 1, 13, 2, 0, tzinfo=UTC)
    desk = Desk(policy=night, now=at_three)
    desk.survey(finding(urgency=Urgency.TODAY))
    assert desk.said == []
    desk.wait(timedelta(hours=5))
    assert desk.said[0][0] == datetime(2026, 1, 13, 6, 0, tzinfo=UTC)
    loud = Desk(policy=night, now=at_three)
    loud.survey(GONE)
    assert len(loud.said) == 1


def test_the_digest_comes_on_its_weekday_to_everybody() -> None:
    """Monday at nine local time, once a week."""
    policy = Policy(
        people=(Person(name="ada"),), digest=Digest(at=time(9, 0), weekdays=(0,), zone="UTC")
    )
    desk = Desk(policy=policy)
    desk.tell(TimePassed())
    desk.wait(timedelta(days=15))
    assert [at for at, _ in desk.said] == [
        datetime(2026, 3, 9, 9, 0, tzinfo=UTC),
        datetime(2026, 3, 16, 9, 0, tzinfo=UTC),
    ]
    assert {tell.items[0].kind for _, tell in desk.said} == {NoticeKind.DIGEST}


def test_the_digest_waits_for_the_morning_and_for_nobody_on_leave() -> None:
    """Ada sleeps until seven, ben is on leave, and what else waits is not lost."""
    night = (Hours(begin=time(22, 0), end=time(7, 0)),)
    people = (
        Person(name="ada", quiet=night),
        Person(name="ben", away_until=START + timedelta(days=9)),
        Person(name="cleo"),
    )
    daily = Digest(at=time(6, 0), weekdays=(0, 1, 2, 3, 4, 5, 6))
    desk = Desk(policy=Policy(people=people, digest=daily), now=START.replace(hour=23))
    desk.survey(finding())
    desk.wait(timedelta(hours=10))
    assert [(at.hour, t.person, [i.kind.value for i in t.items]) for at, t in desk.said] == [
        (23, "cleo", ["opened"]),
        (3, "cleo", ["reminder"]),
        (6, "cleo", ["digest"]),
        (7, "ada", ["opened", "digest"]),
    ]
    assert [i.urgency for _, t in desk.said for i in t.items if i.case == 0] == [Urgency.NOTE] * 2


def test_another_time_for_the_digest_holds_from_the_next_decision_on() -> None:
    """From Mondays to every day: nobody waits for Monday."""
    weekly = Digest(at=time(9, 0), weekdays=(0,))
    daily = Digest(at=time(10, 0), weekdays=(0, 1, 2, 3, 4, 5, 6))
    desk = Desk(policy=Policy(people=(Person(name="ada"),), digest=weekly))
    desk.tell(TimePassed())
    desk.policy = replace(desk.policy, digest=daily)
    due = next_deadline(desk.book, desk.policy, desk.now)
    assert due == desk.now, "a hub's own book is decided on when it falls due only"
    desk.tell(TimePassed())
    desk.wait(timedelta(days=2))
    assert [at.day for at, _ in desk.said] == [3, 4]
    desk.policy = replace(desk.policy, digest=None)
    desk.tell(TimePassed())
    assert next_deadline(desk.book, desk.policy, desk.now) is None


def test_an_answer_that_ends_in_a_silence_is_heard_when_the_silence_ends() -> None:
    """Its end itself says nothing; what still holds sounds when it may."""
    desk = Desk(policy=Policy(people=(Person(name="ada"),)))
    gone = finding("margin-gone", about_pool(ORCHARD), Urgency.NOW)
    desk.survey(gone)
    hour = timedelta(hours=1)
    desk.tell(Acknowledged(case=1, by="ada", until=desk.now + hour))
    desk.tell(
        Silenced(
            scope=ScopeKind.POOL,
            key=ORCHARD,
            by="ada",
            reason="known",
            until=desk.now + 3 * hour,
        )
    )
    desk.wait(2 * hour)
    assert desk.book.open_cases[0].answer is None
    assert len(desk.said) == 1
    desk.wait(2 * hour)
    assert desk.heard()[1] == ("ada", ("silence-ended",))


A_DAY = 24 * 60 // 12 + 20
"""One message in twelve minutes, and the twenty that may leave at once."""


@pytest.mark.parametrize("share", [0.02, 0.5])
@pytest.mark.parametrize("urgency", [Urgency.TODAY, Urgency.NOW])
def test_flapping_for_a_day_stays_within_the_alarm_budget(urgency: Urgency, share: float) -> None:
    """500 troubles come and go at random for a day: 120 messages and twenty, 25 in any hour.

    Anchor: about one alarm per ten minutes (144 a day) is the most an operator can handle in the
    long run, and more than ten in ten minutes is a flood (EEMUA 191 key figures as read in
    published summaries, one of which gives 5 an hour, 120 a day). The first ones leave as they
    come; nothing is dropped, what is beyond is gathered.
    """
    desk, chance = Desk(), Random(f"{urgency} {share}")
    for _ in range(24 * 6):
        desk.survey(*_flapping(urgency, [n for n in range(500) if chance.random() < share]))
        desk.wait(timedelta(minutes=10))
    at = [when for when, _ in desk.said]
    assert 60 <= len(at) <= A_DAY <= 144
    assert at[0] - START <= timedelta(minutes=1)
    for span, most in ((timedelta(minutes=10), 20), (timedelta(hours=1), 25)):
        assert max(sum(a <= b < a + span for b in at) for a in at) <= most
    told = {item.case for _, tell in desk.said for item in tell.items}
    waiting = {word.case for word in desk.book.pending}
    assert told | waiting >= {case.number for case in desk.book.cases}, "nothing is forgotten"


def _flapping(urgency: Urgency, which: list[int]) -> list[Finding]:
    """Drives that are gone, or pools that are bare."""
    if urgency is Urgency.NOW:
        pools = [PoolId(f"md:{n}") for n in which]
        return [finding("margin-gone", about_pool(p), urgency, pool=p, label=p) for p in pools]
    drives = [about_drive(DriveId(f"D{n}")) for n in which]
    return [finding("drive-gone", d, urgency, pool=None, label=d.key) for d in drives]


# ---------------------------------------------------------------------------------- properties

RULES = ("sectors-in-doubt", "drive-gone", "margin-gone", "pool-broken", "rebuild-running")


@st.composite
def findings(draw: st.DrawFn) -> Finding:
    drive = draw(st.sampled_from(["D1", "D2", "D3"]))
    rule = draw(st.sampled_from(RULES))
    pooled = draw(st.booleans())
    subject = (
        about_pool(ORCHARD)
        if rule in {"margin-gone", "pool-broken", "rebuild-running"}
        else about_drive(DriveId(drive))
    )
    return finding(
        rule,
        subject,
        draw(st.sampled_from(list(Urgency))),
        pool=ORCHARD if pooled or subject == about_pool(ORCHARD) else None,
        level=draw(st.integers(0, 2)),
        label=drive,
    )


@st.composite
def steps(draw: st.DrawFn) -> tuple[timedelta, Observation]:
    wait = draw(
        st.sampled_from(
            [timedelta(0), timedelta(seconds=30), timedelta(minutes=11), timedelta(hours=7)]
        )
    )
    at = START
    kind = draw(st.integers(0, 9))
    observation: Observation
    if kind <= 4:
        chosen = draw(st.lists(findings(), max_size=4, unique_by=lambda f: f.key))
        lost = tuple(draw(st.sets(st.sampled_from(["D1", "D2", "D3"]))))
        protection = Protection.WHOLE if not lost else Protection.BARE
        seen = EVERYTHING if draw(st.booleans()) else frozenset({about_pool(ORCHARD)})
        observation = SurveyJudged(
            findings=tuple(chosen),
            seen=seen,
            pools=(pool_seen(protection, lost),),
            taken_at=at,
        )
    elif kind == 5:
        observation = Acknowledged(
            case=draw(st.integers(1, 3)),
            by=draw(st.sampled_from(["ada", "ben"])),
            until=START + timedelta(hours=draw(st.integers(1, 60))),
        )
    elif kind == 6:
        observation = Silenced(
            scope=draw(st.sampled_from(list(ScopeKind))),
            key=draw(st.sampled_from([ORCHARD, "D1", "drive-gone", "attic"])),
            by="ada",
            reason="r",
            until=START + timedelta(hours=draw(st.integers(1, 60))),
        )
    elif kind == 7:
        observation = WorkAnnounced(
            by="ada",
            reason="w",
            begins=START,
            ends=START + timedelta(hours=draw(st.integers(1, 60))),
            expects=(Expectation(kind=ExpectKind.REPLACE, drive=DriveId("D3")),),
            pool=ORCHARD,
        )
    elif kind == 8:
        observation = HandedOver(case=draw(st.integers(1, 3)), by="ada", to="ben")
    else:
        observation = TimePassed()
    return wait, observation


TWO = Policy(people=(Person(name="ada"), Person(name="ben")))


@settings(max_examples=150, deadline=None)
@given(st.lists(steps(), max_size=14))
def test_whatever_happens_the_promises_hold(story: list[tuple[timedelta, Observation]]) -> None:
    """The same story gives the same book; open weighty trouble always has somebody or a time."""
    book, now = Book(box=BoxId("attic")), START
    keys: list[str] = []
    for wait, observation in story:
        now += wait
        first = decide(book, observation, now, TWO)
        assert first == decide(book, observation, now, TWO), "not deterministic"
        book, effects = first
        keys += [effect.key for effect in effects if isinstance(effect, Tell)]
        for case in book.open_cases:
            loud = case.is_weighty and not case.hushed
            assert not loud or case.answer or case.climb, f"{case} fell between two chairs"
            assert case.answer is None or case.climb is None
        due = next_deadline(book, TWO, now)
        waiting = any(c.is_weighty and not c.hushed for c in book.open_cases)
        assert not waiting or due is not None
        unchanged, more = decide(book, TimePassed(), now, TWO)
        assert not any(isinstance(effect, Tell) for effect in more), "said twice"
        assert unchanged == book, "the same moment again changed the book"
    assert len(keys) == len(set(keys)), "a key was used twice"
    now += timedelta(hours=60)
    book, _ = decide(book, TimePassed(), now, TWO)  # all terms are over
    known = {h.finding.key: h.finding for c in book.cases for h in c.held}
    again = SurveyJudged(findings=tuple(known.values()), seen=EVERYTHING, taken_at=now)
    book, _ = decide(book, again, now, TWO)
    for case in book.open_cases:
        assert not case.is_weighty or case.climb, f"{case} came back, and nobody is told again"


@settings(max_examples=60, deadline=None)
@given(st.lists(steps(), max_size=10))
def test_the_desk_always_comes_to_rest(story: list[tuple[timedelta, Observation]]) -> None:
    """Waking at every deadline for a week takes a bounded number of wakings."""
    desk = Desk(policy=TWO)
    for wait, observation in story:
        desk.wait(wait)
        desk.tell(observation)
    desk.wait(timedelta(days=7))
    assert len(desk.said) < 400


def test_a_finding_without_a_pool_and_a_blind_source_have_cases_of_their_own() -> None:
    """What is not tied to a pool stands alone."""
    desk = Desk()
    alone = finding(pool=None)
    blind = replace(
        finding("cannot-see-source", about_source("kernel-log"), pool=None), label="kernel log"
    )
    desk.survey(alone, blind)
    assert len(desk.book.open_cases) == 2
    assert len(desk.said) == 1, "but they are told together"


def test_a_note_never_holds_up_an_all_clear_and_never_opens_a_closed_case() -> None:
    """A self-test that is overdue has a case of its own, beside the trouble in the same pool."""
    note = finding("self-test-overdue", urgency=Urgency.NOTE)
    desk = Desk()
    desk.survey(note)
    desk.survey(note, GONE)
    assert [c.only_notes for c in desk.book.cases] == [True, False]
    for _ in range(3):
        desk.now += timedelta(minutes=10)
        desk.survey(note)
    assert [kinds for _, kinds in desk.heard()] == [("opened",), ("all-clear",)]
    assert [c.number for c in desk.book.open_cases] == [1]


def test_a_note_that_begins_to_weigh_moves_to_a_case_that_is_told() -> None:
    """The same finding, first a note, then for this week: it sounds once, from its new case."""
    desk = Desk()
    desk.survey(finding(urgency=Urgency.NOTE))
    desk.now += timedelta(minutes=10)
    desk.survey(finding(urgency=Urgency.THIS_WEEK))
    assert desk.heard() == [("ada", ("opened",))]
    assert [(c.only_notes, bool(c.standing)) for c in desk.book.cases] == [
        (True, False),
        (False, True),
    ]
