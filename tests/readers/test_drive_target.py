"""A drive is asked in a lane of its own, and one that gave no reading is named by what is known."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from watcher.facts.drive import DriveIdentity, Unread
from watcher.facts.identity import DriveId
from watcher.readers.drive_target import DriveTarget, unread_of

NOW = datetime(2026, 3, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    ("kind", "lane"),
    [
        ("sat", "/dev/sdb"),
        ("auto", "/dev/sdb"),
        ("sat,12", "/dev/sdb"),  # only how the drive is spoken to
        ("sat,auto", "/dev/sdb"),
        ("nvme,0x1", "/dev/sdb"),
        ("megaraid,4", "/dev/sdb megaraid,4"),  # many drives behind one node: each may hang alone
        ("sat+megaraid,4", "/dev/sdb sat+megaraid,4"),
        ("sat,12+cciss,1", "/dev/sdb sat,12+cciss,1"),
        ("usbjmicron,1", "/dev/sdb usbjmicron,1"),  # one of two bays
        ("novelty,7", "/dev/sdb novelty,7"),
    ],
)
def test_a_hung_question_stands_in_the_way_of_its_own_drive_only(kind: str, lane: str) -> None:
    assert DriveTarget(node="/dev/sdb", device_type=kind).lane == lane


def test_the_block_layer_names_a_drive_that_tells_another_name_without_a_reading() -> None:
    known = DriveIdentity(drive=DriveId("Altair_1"), model="Altair", serial="", capacity_bytes=8)
    target = DriveTarget(node="/dev/sdb", bay="top left", known=known)
    told = unread_of(target, Unread.HUNG, "It hangs.", NOW, drive=DriveId("x"), serial="S7")
    assert (told.drive, told.model, told.serial, told.capacity_bytes, told.bay) == (
        ("Altair_1", "Altair", "S7", 8, "top left")
    )
    unknown = unread_of(DriveTarget(node="/dev/sdb"), Unread.HUNG, "It hangs.", NOW)
    assert (unknown.drive, unknown.model, unknown.capacity_bytes) == (None, None, None)
