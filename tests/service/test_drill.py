"""A drill through the real book and the real outbox, on an invented box."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import pytest

from watcher.cases.observations import Acknowledged
from watcher.cases.policy import Ladder, LadderChoice, Person, Policy, Rung
from watcher.demo.box import SimBox
from watcher.demo.story import BOX, new_box
from watcher.exposure.window import WindowPlan
from watcher.facts.finding import Urgency
from watcher.facts.identity import DriveId
from watcher.facts.pool import Pool
from watcher.facts.readiness import DrillDone
from watcher.notify.secret import Secret
from watcher.notify.target import Target
from watcher.readers.discovery import ToldDrive
from watcher.readers.survey import Looking, Surveyor
from watcher.rules.tuning import UNTUNED
from watcher.rules.view import View
from watcher.service.desk import Desk, Standing, last_view
from watcher.service.drill import NoDrill, begin, case_of, end, find_member, rehearse
from watcher.store.database import open_memory
from watcher.store.outbox import NewNotice

MINUTE = timedelta(minutes=1)


@dataclass
class Scene:
    """A box that is watched."""

    box: SimBox
    desk: Desk
    surveyor: Surveyor
    count: int = 0

    @property
    def now(self) -> datetime:
        return self.box.now

    def look(self) -> None:
        self.count += 1
        taken = self.surveyor.take(f"s{self.count}", self.now)
        self.desk.take_in(taken.survey, self.now)

    def view(self) -> View:
        with self.desk.store.snapshot() as tx:
            view = last_view(tx, BOX, self.now, self.desk.standing)
        assert view is not None
        return view

    def pool(self) -> Pool:
        return next(p for p in self.view().survey.pools if p.name == "orchard")

    def begin(self) -> tuple[DrillDone, int]:
        view, pool = self.view(), self.pool()
        drive = min(pool.drives)
        rehearsal = rehearse(view, self.desk, pool, drive, self.now)
        return begin(self.desk, rehearsal, view, "Ana", self.now)

    def titles(self) -> list[str]:
        with self.desk.store.snapshot() as tx:
            return [notice.title for notice in tx.list_notices(BOX)]


@pytest.fixture
def scene() -> Iterator[Scene]:
    box = new_box()
    ladder = Ladder(
        rungs=(Rung(people=("ben",), wait=5 * MINUTE), Rung(people=("ana",), wait=5 * MINUTE)),
        repeat_first=10 * MINUTE,
        repeat_longest=60 * MINUTE,
    )
    standing = Standing(
        box=BOX,
        policy=Policy(
            people=(Person(name="ana"), Person(name="ben")),
            ladders=(LadderChoice(ladder=ladder, pools=("orchard",)),),
            settle=timedelta(0),
            gather=timedelta(0),
        ),
        tuning=UNTUNED,
        targets=tuple(
            Target(name="phone", person=who, url=Secret("json://127.0.0.1:1/"))
            for who in ("ana", "ben")
        ),
        plan=WindowPlan(),
    )
    told = tuple(ToldDrive(serial=d.serial, bay=d.bay) for d in box.drives.values())
    with open_memory(now=box.now) as store:
        made = Scene(
            box=box,
            desk=Desk(store, standing),
            surveyor=Surveyor(box, Looking(box=BOX, told=told)),
        )
        made.look()
        yield made


def test_a_drill_climbs_the_ladder_of_the_pool_that_it_is_about(scene: Scene) -> None:
    drill, _ = scene.begin()
    assert drill.number == 1
    (title,) = [t for t in scene.titles() if "DRILL" in t]
    assert title == "Today: DRILL orchard on attic"  # it bears two losses: one leaves margin
    with scene.desk.store.snapshot() as tx:
        case = case_of(tx, scene.desk, drill)
    assert case is not None
    assert case.told == ("ben",)
    scene.box.pass_time(6 * MINUTE)
    scene.desk.tick(scene.now)
    with scene.desk.store.snapshot() as tx:
        case = case_of(tx, scene.desk, drill)
    assert case is not None
    assert case.told == ("ben", "ana")


def test_real_looks_neither_clear_a_drill_nor_mix_with_it(scene: Scene) -> None:
    drill, number = scene.begin()
    with scene.desk.store.snapshot() as tx:
        before = tx.load_book(BOX).last_survey_at
    assert before is not None
    scene.box.pass_time(10 * MINUTE)
    scene.look()
    with scene.desk.store.snapshot() as tx:
        case = case_of(tx, scene.desk, drill)
    assert case is not None
    assert (case.number, case.is_open, len(case.held)) == (number, True, 1)


def test_a_drill_does_not_claim_that_a_look_was_taken(scene: Scene) -> None:
    with scene.desk.store.snapshot() as tx:
        before = tx.load_book(BOX).last_survey_at
    scene.box.pass_time(7 * MINUTE)
    scene.begin()
    with scene.desk.store.snapshot() as tx:
        assert tx.load_book(BOX).last_survey_at == before


def test_the_first_answer_ends_the_measuring(scene: Scene) -> None:
    drill, number = scene.begin()
    scene.box.pass_time(7 * MINUTE)
    said = Acknowledged(case=number, by="ben", until=scene.now + timedelta(hours=1))
    scene.desk.hear(said, scene.now)
    scene.box.pass_time(3 * MINUTE)
    done = end(scene.desk, drill, scene.now)
    assert (done.answered_by, done.answer_took) == ("ben", 7 * MINUTE)
    assert "by ben after 7 min" in done.page
    assert any("no spare that fits" in wrong for wrong in done.went_wrong)
    with scene.desk.store.snapshot() as tx:
        assert tx.drills(BOX) == (done,)
    scene.box.pass_time(10 * MINUTE)
    scene.look()
    with scene.desk.store.snapshot() as tx:
        case = case_of(tx, scene.desk, drill)
    assert case is not None
    assert not case.is_open
    assert all("DRILL" in title for title in scene.titles() if "orchard" in title)


def test_a_drill_that_nobody_answered_says_so(scene: Scene) -> None:
    drill, _ = scene.begin()
    scene.box.pass_time(30 * MINUTE)
    done = end(scene.desk, drill, scene.now)
    assert done.answered_at is None
    assert "No message left this box" in done.went_wrong[0]


def test_only_a_message_of_the_drill_shows_that_its_messages_leave(scene: Scene) -> None:
    drill, _ = scene.begin()
    other = NewNotice(
        key="of something else",
        box=BOX,
        person="ana",
        target="ana/phone",
        urgency=Urgency.NOTE,
        title="The month of attic",
        body="Nothing to do.",
        created_at=scene.now,
    )
    with scene.desk.store.transaction() as tx:
        tx.put_notices([other])
    with scene.desk.store.snapshot() as tx:
        number = next(n.number for n in tx.list_notices(BOX) if n.key == other.key)
    with scene.desk.store.transaction() as tx:
        tx.mark_sent(number, scene.now)
    scene.box.pass_time(30 * MINUTE)
    assert "No message left this box" in end(scene.desk, drill, scene.now).went_wrong[0]


@pytest.mark.parametrize(("target", "said"), [("ben/phone", True), ("ben/pager of old", False)])
def test_a_way_that_failed_before_the_drill_and_fails_still_is_named(
    scene: Scene, target: str, said: bool
) -> None:
    with scene.desk.store.transaction() as tx:
        tx.put_notices(
            [
                NewNotice(
                    key="before",
                    box=BOX,
                    person="ben",
                    target=target,
                    urgency=Urgency.NOTE,
                    title="Before",
                    body="",
                    created_at=scene.now,
                )
            ]
        )
        (taken,) = [n for n in tx.claim_due(scene.now, 9, "test") if n.key == "before"]
        later = scene.now + 600 * MINUTE
        tx.mark_failed(taken.number, "test", now=scene.now, next_try_at=later, error="refused")
    scene.box.pass_time(MINUTE)
    drill, _ = scene.begin()
    scene.box.pass_time(30 * MINUTE)
    done = end(scene.desk, drill, scene.now)
    assert (f"No message arrived by {target}." in done.went_wrong) is said


def test_a_watch_that_looks_seldom_still_watches(scene: Scene) -> None:
    scene.box.pass_time(timedelta(hours=2))
    view, pool = scene.view(), scene.pool()
    rehearsal = rehearse(view, scene.desk, pool, min(pool.drives), scene.now)
    hours = [timedelta(hours=count) for count in (2, 0.5)]
    with pytest.raises(NoDrill, match="does not run"):
        begin(scene.desk, rehearsal, view, "Ana", scene.now, every=hours[1])
    assert begin(scene.desk, rehearsal, view, "Ana", scene.now, every=hours[0])[0].number == 1


def test_one_drill_at_a_time_and_none_while_nobody_watches(scene: Scene) -> None:
    scene.begin()
    with pytest.raises(NoDrill, match="going on"):
        scene.begin()


def test_no_drill_while_the_watch_does_not_run(scene: Scene) -> None:
    scene.box.pass_time(timedelta(hours=2))
    with pytest.raises(NoDrill, match="does not run"):
        scene.begin()


def test_no_drill_on_a_pool_that_really_lost_margin(scene: Scene) -> None:
    scene.box.pull("e")
    scene.box.pass_time(10 * MINUTE)
    scene.look()
    with pytest.raises(NoDrill, match="no time to rehearse"):
        scene.begin()


def test_a_member_is_found_by_bay_serial_or_name(scene: Scene) -> None:
    view, pool = scene.view(), scene.pool()
    drive = min(pool.drives)
    who, bay = view.identity_of(drive), view.bay_of(drive)
    assert who is not None
    assert bay is not None
    for text in (drive, who.serial, who.serial.lower(), bay, f"bay {bay}", f" {bay} "):
        assert find_member(view, pool, text) == drive, text
    assert find_member(view, pool, "bay 99") is None
    assert find_member(view, pool, "") is None


def test_a_drive_of_another_pool_is_not_rehearsed(scene: Scene) -> None:
    with pytest.raises(NoDrill, match="does not rest on"):
        rehearse(scene.view(), scene.desk, scene.pool(), DriveId("elsewhere"), scene.now)


def test_what_is_gone_at_the_end_is_said_and_the_drill_ends(scene: Scene) -> None:
    drill, _ = scene.begin()
    done = end(scene.desk, replace(drill, member="bay 99"), scene.now)
    assert done.ended_at == scene.now
    assert "not there any more" in done.page
