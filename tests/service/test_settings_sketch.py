"""A first settings file from what was found: it loads, names every drive, and changes nothing."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.facts.drive import DriveIdentity, DriveReading, DriveUnread, Unread
from watcher.facts.identity import BoxId, DriveId, PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import AtStake, Member, MemberState, PoolKind, RedundancySet
from watcher.facts.survey import Survey
from watcher.service.settings import Here, load_text
from watcher.service.settings_shape import Config
from watcher.service.settings_sketch import MOST_LISTED, sketch

NOW = datetime(2031, 3, 6, tzinfo=UTC)
HERE = Here(host_name="attic", zone="UTC", is_root=True, home="/root")


def drive(serial: str, model: str = "Altair A8", bay: str | None = None) -> DriveReading:
    return DriveReading(
        identity=DriveIdentity(
            drive=DriveId(f"{model}_{serial}"),
            model=model,
            serial=serial,
            capacity_bytes=8 * 10**12,
        ),
        observed_at=NOW,
        node="/dev/sda",
        device_type="sat",
        bay=bay,
    )


def unread(node: str, why: Unread, serial: str | None = None) -> DriveUnread:
    return DriveUnread(
        node=node, why=why, detail="It says nothing.", observed_at=NOW, serial=serial
    )


def survey(
    *drives: DriveReading, hidden: tuple[DriveUnread, ...] = (), box: str = "attic"
) -> Survey:
    tree = RedundancySet(
        name="raid1",
        bears=1,
        parts=(
            Member(name="sda", state=MemberState.GOOD),
            Member(name="sdb", state=MemberState.GOOD),
        ),
    )
    pool = judge_pool(
        pool=PoolId("md:x"),
        name="orchard",
        kind=PoolKind.MD,
        layout="raid1",
        observed_at=NOW,
        tree=tree,
        at_stake=AtStake.POOL,
    )
    return Survey(
        survey="1", box=BoxId(box), taken_at=NOW, drives=drives, unread=hidden, pools=(pool,)
    )


def read(text: str) -> Config:
    return load_text(text, "midwatch.yaml", {}, here=HERE)


def test_every_drive_is_listed_to_be_given_its_bay() -> None:
    text = sketch(
        survey(
            drive("012"),
            drive("B", bay="top left"),
            hidden=(unread("/dev/sdc", Unread.HUNG, "C"), unread("/dev/sdd", Unread.NO_SMART)),
        )
    )
    config = read(text)
    assert [(d.serial, d.bay) for d in config.drives] == [
        ("012", None),
        ("B", "top left"),
        ("C", None),
    ]
    assert "## Altair A8, 8 TB, now /dev/sda" in text
    assert "/dev/sdd" in text
    assert "orchard: raid1, whole, margin 1 of 1" in text


def test_used_unchanged_it_does_what_no_file_would_do() -> None:
    config = read(sketch(survey(drive("A"))))
    assert config.model_copy(update={"drives": ()}) == read("box_name: attic")


def test_a_box_without_drives_and_pools_gets_a_file_too() -> None:
    empty = Survey(survey="1", box=BoxId("attic"), taken_at=NOW)
    assert read(sketch(empty)).drives == ()
    only_virtual = Survey(
        survey="1", box=BoxId("attic"), taken_at=NOW, unread=(unread("/dev/vda", Unread.NO_SMART),)
    )
    assert read(sketch(only_virtual)).drives == ()


@pytest.mark.parametrize("count", [MOST_LISTED - 1, MOST_LISTED, MOST_LISTED + 50])
def test_a_huge_box_gets_a_file_that_loads(count: int) -> None:
    config = read(sketch(survey(*(drive(f"S{n}") for n in range(count)))))
    assert len(config.drives) == min(count, MOST_LISTED)


def test_drives_that_share_a_serial_number_are_listed_once() -> None:
    """Cheap bridges give each drive the same."""
    config = read(sketch(survey(drive("0001", bay="3"), drive("0001"), drive("2", bay="3"))))
    assert [(d.serial, d.bay) for d in config.drives] == [("0001", "3"), ("2", None)]


def test_a_box_of_whose_name_only_a_blank_is_left_gets_a_name() -> None:
    assert read(sketch(survey(drive("A"), box="\r\x1b"))).box_name == "box"


words = st.text(min_size=1, max_size=60)


@settings(max_examples=100, deadline=None)
@given(serial=words, model=st.text(max_size=60), bay=words, box=words)
def test_whatever_a_drive_calls_itself_the_file_loads(
    serial: str, model: str, bay: str, box: str
) -> None:
    config = read(sketch(survey(drive(serial, model, bay), box=box or "attic")))
    assert config.drives or not serial.isprintable() or not serial.strip()
    for listed in config.drives:
        assert listed.serial == serial.strip()
        assert listed.bay in {bay.strip(), None}


def test_a_hint_works_when_its_marks_are_taken_away() -> None:
    """Also where no drive has a serial number: the key is there to be uncommented with it."""
    text = sketch(survey(hidden=(unread("/dev/vda", Unread.NO_SMART),)))
    used = text.replace("#drives:", "drives:").replace("  #-", "  -").replace("  #  ", "    ")
    lines = [line for line in used.splitlines() if not line.lstrip().startswith("#")]
    config = read("\n".join(lines))
    assert [(d.node, d.device_type) for d in config.drives] == [("/dev/vda", "sat")]
