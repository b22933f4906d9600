"""A survey knows which drives are there, read or not, and refuses what it cannot understand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from watcher.facts.drive import DriveIdentity, DriveReading, DriveUnread, Unread
from watcher.facts.identity import BoxId, DriveId, Subject, SubjectKind
from watcher.facts.kernel_event import Category, KernelEvent
from watcher.facts.survey import READER, SURVEY_FORMAT, Blindness, Survey

AT = datetime(2026, 3, 2, tzinfo=UTC)


def reading(name: str) -> DriveReading:
    who = DriveIdentity(drive=DriveId(name), model="Altair A8", serial=name)
    return DriveReading(identity=who, observed_at=AT, node="/dev/sda", device_type="sat")


def unread(name: str | None, why: Unread) -> DriveUnread:
    drive = DriveId(name) if name else None
    return DriveUnread(node="/dev/sdb", why=why, detail="so it is", observed_at=AT, drive=drive)


def test_a_drive_that_hangs_is_there_and_one_that_vanished_is_not() -> None:
    survey = Survey(
        survey="s",
        box=BoxId("attic"),
        taken_at=AT,
        drives=(reading("A"),),
        unread=(unread("B", Unread.HUNG), unread("C", Unread.VANISHED), unread(None, Unread.HUNG)),
    )
    assert survey.present == {"A", "B"}
    assert survey.reading(DriveId("A")) == reading("A")
    assert survey.reading(DriveId("B")) is None


@pytest.mark.parametrize(
    ("source", "hides"),
    [("zfs", True), ("block-devices", True), (READER, True), ("kernel-log", False)],
)
def test_a_survey_blind_to_a_stack_may_hide_pools(source: str, *, hides: bool) -> None:
    spot = Blindness(source=source, why=Unread.FORBIDDEN, detail="not root", remedy="be root")
    survey = Survey(survey="s", box=BoxId("attic"), taken_at=AT, blind=(spot,))
    assert survey.hides_pools is hides
    assert not Survey(survey="s", box=BoxId("attic"), taken_at=AT).hides_pools


def test_for_another_box_only_what_is_said_of_the_box_itself_is_said_of_that() -> None:
    def event(subject: Subject | None) -> KernelEvent:
        return KernelEvent(at=AT, category=Category.NOISE, what="other", device="", subject=subject)

    of_box = Subject(kind=SubjectKind.BOX, key="attic")
    named_alike = Subject(kind=SubjectKind.DRIVE, key="attic")
    events = (event(of_box), event(named_alike), event(None))
    survey = Survey(survey="s", box=BoxId("attic"), taken_at=AT, events=events)
    moved = Subject(kind=SubjectKind.BOX, key="cellar")
    assert survey.of_box(BoxId("cellar"), "t") == replace(
        survey, survey="t", box=BoxId("cellar"), events=(event(moved), *events[1:])
    )


def test_a_newer_format_is_refused_and_not_guessed() -> None:
    with pytest.raises(ValueError, match="newer"):
        Survey(survey="s", box=BoxId("attic"), taken_at=AT, format=SURVEY_FORMAT + 1)
