"""What a logical volume is busy with, and the remarks on it."""

from __future__ import annotations

import pytest

from tests.readers.pools.boxes import HandBlocks
from tests.readers.pools.test_lvm import images, pool
from watcher.facts.pool import MemberState, Protection, Remark, WorkKind, WorkState
from watcher.readers.pools.lvm_notes import ACTIONS


def test_the_words_of_the_action_are_the_handbook_s() -> None:
    """Source: Linux Documentation/admin-guide/device-mapper/dm-raid.rst, sync_action."""
    told = "idle frozen resync recover check repair reshape"
    assert {*told.split(), ""} == ACTIONS


def test_a_repair_fills_one_image() -> None:
    rows, line = images("raid1", 2, letters="Aa", raid_sync_action="recover", sync_percent="50.00")
    rows[2]["lv_attr"] = "Iwi-aor---"
    found = pool(rows, line)
    assert found.work is not None
    assert (found.work.kind, found.work.done_fraction) == (WorkKind.REBUILD, 0.5)
    assert (found.work.done_bytes, found.work.total_bytes) == (500 * 512, 1000 * 512)
    assert (found.protection, found.members[1].state) == (Protection.BARE, MemberState.REBUILDING)


@pytest.mark.parametrize(
    ("kind", "made", "work", "protection"),
    [
        ("raid1", "2026-03-01 11:59:30 +0000", WorkKind.FIRST_BUILD, Protection.WHOLE),
        ("raid1", "2025-03-01 11:59:30 +0000", WorkKind.RESYNC, Protection.WHOLE),
        ("raid5", "2026-03-01 12:59:30 +0100", WorkKind.FIRST_BUILD, Protection.WHOLE),
        ("raid5", "2025-03-01 11:59:30 +0000", WorkKind.RESYNC, Protection.BARE),
        ("raid5", "", WorkKind.RESYNC, Protection.BARE),
    ],
)
def test_a_resync_is_a_first_build_only_in_a_new_volume(
    kind: str, made: str, work: WorkKind, protection: Protection
) -> None:
    rows, line = images(
        kind, 3, letters="aaa", raid_sync_action="resync", sync_percent="50.00", lv_time=made
    )
    found = pool(rows, line)
    assert found.work is not None
    assert (found.work.kind, found.protection) == (work, protection)


@pytest.mark.parametrize(
    ("action", "kind"),
    [("check", WorkKind.SCRUB), ("repair", WorkKind.REPAIR), ("reshape", WorkKind.RESHAPE)],
)
def test_other_work_is_named(action: str, kind: WorkKind) -> None:
    found = pool(*images("raid5", 3, raid_sync_action=action))
    assert found.work is not None
    assert (found.work.kind, found.protection) == (kind, Protection.WHOLE)


def test_frozen_repairs_are_paused() -> None:
    rows, line = images("raid5", 3, letters="AAa", raid_sync_action="frozen", sync_percent="50.00")
    found = pool(rows, line)
    assert found.work is not None
    assert found.work.state is WorkState.PAUSED
    assert found.noted(Remark.FROZEN) is not None
    assert pool(*images("raid5", 3, raid_sync_action="frozen")).work is None


@pytest.mark.parametrize(
    ("top", "remark"),
    [
        ({"lv_health_status": "sideways"}, Remark.UNKNOWN_WORD),
        ({"raid_sync_action": "dancing"}, Remark.UNKNOWN_WORD),
        ({"lv_health_status": "partial"}, Remark.FEW_CHECKS),
        ({"lv_attr": "rwi-aor-r-"}, Remark.FEW_CHECKS),
        ({"sync_percent": "12.00"}, Remark.FEW_CHECKS),
        ({"lv_active": ""}, Remark.INACTIVE),
    ],
)
def test_what_does_not_fit_together_is_not_known_to_be_well(
    top: dict[str, str], remark: Remark
) -> None:
    found = pool(*images("raid5", 3, **top))
    assert found.noted(remark) is not None
    assert found.protection is Protection.UNKNOWN


def test_a_device_that_left_unnoticed_is_missing() -> None:
    found = pool(*images("raid5", 3), blocks=HandBlocks(gone=frozenset({"sdb"})))
    note = found.noted(Remark.DEVICE_GONE)
    assert note is not None
    assert note.member == "v_rimage_1"
    assert found.protection is Protection.BARE


def test_work_that_counts_more_than_there_is_has_the_percentage_only() -> None:
    rows, _ = images("raid5", 3, raid_sync_action="check", sync_percent="40.00")
    found = pool(rows, "vg-v: 0 1000 raid raid5 3 AAA 900/500 check 0 0 -\n")
    assert found.work is not None
    assert (found.work.done_fraction, found.work.total_bytes) == (0.4, None)
