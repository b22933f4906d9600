"""The desk: one transaction from survey to outbox; the same again changes nothing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.cli.state import standing
from tests.simulation.faulty import Killed
from tests.simulation.stage import Stage
from tests.simulation.world import BOX
from watcher.cases.observations import Acknowledged, TimePassed
from watcher.cases.policy import Person, Policy
from watcher.demo.box import SimBox
from watcher.demo.drives import SimDrive
from watcher.demo.story import BOX as ATTIC
from watcher.demo.story import new_box
from watcher.facts.drive import Metric
from watcher.readers.survey import Looking, Surveyor
from watcher.service.desk import Desk
from watcher.store.database import open_store
from watcher.store.errors import StoreError

START = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
LONG = timedelta(days=400)


def stage() -> Stage:
    return Stage(start=START, policy=Policy(people=(Person(name="ada"), Person(name="ben"))))


def lose_a_drive(one: Stage) -> None:
    one.look()
    one.now += 10 * MINUTE
    one.world.pull(7)


def test_a_hundred_drives_on_one_failed_controller_are_one_message(tmp_path: Path) -> None:
    """Each loss is a case of its own; a person hears of all of them once, in few words."""
    box = new_box()
    for number in range(100):
        letter = chr(0x4E00 + number)  # a hundred letters that no other drive has
        box.drives[letter] = SimDrive(
            letter=letter,
            bay="",
            model="Altair A8",
            serial=f"S{number:05}",
            wwn=0x5000A14100000000 + number,
            capacity_bytes=8_001_563_222_016,
            hours=9000,
        )
    surveyor = Surveyor(box, Looking(box=ATTIC))
    with open_store(tmp_path / "m.db", now=box.now) as store:
        desk = Desk(store, standing())
        desk.take_in(surveyor.take("first", box.now).survey, box.now)
        box.drives = {letter: drive for letter, drive in box.drives.items() if letter.isascii()}
        box.pass_time(timedelta(minutes=10))
        outcome = desk.take_in(surveyor.take("second", box.now).survey, box.now)
        with store.snapshot() as tx:
            rows = tx.list_notices(ATTIC)
    gone = [f for f in outcome.findings if f.rule == "drive-gone"]
    assert len(gone) == 100
    assert len(outcome.told) == len(rows) == 1
    assert "100 things" in rows[0].title
    assert len(rows[0].title + rows[0].body.partition("\n")[0]) <= 160


class OneSlow(SimBox):
    """A box of which one member makes its requests wait ten times as long as its siblings."""

    def read_text(self, path: str) -> str:
        text = super().read_text(path)
        if path != "/sys/block/sde/stat":
            return text
        fields = text.split()
        for place in (3, 7):
            fields[place] = str(int(fields[place]) * 10)
        return " ".join(fields)


def test_a_member_that_waits_longer_than_its_siblings_is_noted_at_its_second_slow_look(
    tmp_path: Path,
) -> None:
    whole = new_box()
    box = OneSlow(
        name=whole.name, now=whole.now, drives=whole.drives, arrays=whole.arrays, log=whole.log
    )
    surveyor = Surveyor(box, Looking(box=ATTIC))
    slow = []
    with open_store(tmp_path / "m.db", now=box.now) as store:
        desk = Desk(store, standing())
        for number in range(3):
            survey = surveyor.take(f"look {number}", box.now).survey
            outcome = desk.take_in(survey, box.now)
            slow.append(
                [
                    f.evidence[0].value
                    for f in outcome.findings
                    if f.rule == "slower-than-its-siblings"
                ]
            )
            box.pass_time(timedelta(minutes=10))
        with store.snapshot() as tx:
            drive = next(r for r in survey.drives if r.node == "/dev/sde").identity.drive
            kept = tx.series(
                drive, Metric.THROUGHPUT_BYTES_PER_SECOND, START - LONG, box.now + LONG
            )
    assert slow == [[], [], ["75.0 ms"]]  # the first look has none before it to compare with
    assert [point.last for point in kept] == [20 * 64 * 1024] * 2


def test_a_survey_taken_in_twice_counts_once() -> None:
    one = stage()
    lose_a_drive(one)
    survey = one.survey()
    assert one.desk.take_in(survey, one.now).taken
    book, history = one.book(), one.history()
    again = one.desk.take_in(survey, one.now + MINUTE)
    assert not again.taken
    assert (one.book(), one.history()) == (book, history)


def test_what_was_decided_is_in_the_outbox_with_the_same_key() -> None:
    one = stage()
    lose_a_drive(one)
    told = one.desk.take_in(one.survey(), one.now).told
    assert {tell.key for tell in told} == {notice.key for notice in one.outbox()}
    assert {notice.person for notice in one.outbox()} == {"ada", "ben"}


@pytest.mark.parametrize("how", ["full", "locked", "killed"])
def test_whichever_statement_fails_all_of_a_survey_is_taken_in_or_nothing(how: str) -> None:
    """The first statement fails, then the second, and so on until a survey passes untouched."""
    one = stage()
    lose_a_drive(one)
    number, survey = 0, one.survey()
    while True:
        number += 3
        before = (one.book(), one.history(), one.outbox())
        one.disk.faults.arm(how, number)
        try:
            outcome = one.desk.take_in(survey, one.now)
        except (StoreError, Killed):
            assert (one.book(), one.history(), one.outbox()) == before, f"statement {number}"
            one.check_fold()
            continue
        one.disk.faults.disarm()
        break
    assert number > 30
    assert outcome.taken
    assert len(one.outbox()) == 2
    one.check_fold()


def test_time_in_which_nothing_falls_due_leaves_no_trace() -> None:
    one = stage()
    one.look()
    history = one.history()
    assert one.desk.tick(one.now).told == ()
    assert one.history() == history


def test_a_refusal_is_given_back_and_changes_nothing() -> None:
    one = stage()
    one.look()
    book = one.book()
    said = Acknowledged(case=9, by="ada", until=one.now + MINUTE)
    assert "no open case 9" in one.desk.hear(said, one.now).refused
    assert one.book().cases == book.cases


def test_the_deadline_is_that_of_the_book() -> None:
    one = stage()
    lose_a_drive(one)
    one.look()
    due = one.desk.deadline(one.now)
    assert due == one.now + 15 * MINUTE
    assert one.desk.hear(TimePassed(), due).told


def test_texts_that_belong_to_a_survey_are_kept_with_it_or_not_at_all() -> None:
    one = stage()
    survey = one.survey()
    one.disk.faults.arm("full", 40)
    with pytest.raises(StoreError):
        one.desk.take_in(survey, one.now, keep={"log": "here"})
    with one.peek() as tx:
        assert tx.kept(BOX, "log") is None
    one.desk.take_in(survey, one.now, keep={"log": "here"})
    with one.peek() as tx:
        assert tx.kept(BOX, "log") == "here"
