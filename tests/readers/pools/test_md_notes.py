"""The cross-checks of a software array."""

from __future__ import annotations

import pytest

from tests.readers.pools.boxes import NOW, HandBlocks, box, four, line, mdstat, sysfs
from watcher.facts.identity import DriveId
from watcher.facts.pool import Noted, Pool, Protection, Remark
from watcher.readers.pools import md

ALL = "sdd[4] sdc[2] sdb[1] sda[0]"


def pool(
    text: str,
    files: dict[str, str] | None,
    *,
    gone: frozenset[str] = frozenset(),
    given_up: frozenset[str] = frozenset(),
    previous: tuple[Pool, ...] = (),
) -> Pool:
    host = box(text, files)
    blocks = HandBlocks(gone=gone, given_up=given_up)
    found = md.read(host, blocks, observed_at=NOW, previous=previous, carriers=())
    assert len(found.pools) == 1
    return found.pools[0]


def noted(found: Pool, remark: Remark) -> Noted:
    note = found.noted(remark)
    assert note is not None, [n.remark for n in found.notes]
    return note


def with_attributes(up: str = "UUUU", level: str = "raid5", **attributes: str) -> Pool:
    text = mdstat(line(ALL, up, level=level))
    return pool(text, sysfs(four(), **{"level": level, **attributes}))


def test_a_well_array_has_nothing_to_remark() -> None:
    assert with_attributes().notes == ()


@pytest.mark.parametrize(
    ("attributes", "remark", "protection"),
    [
        ({"array_state": "broken"}, Remark.INACTIVE, Protection.BROKEN),
        ({"array_state": "inactive"}, Remark.INACTIVE, Protection.BROKEN),
        ({"array_state": "clear"}, Remark.INACTIVE, Protection.BROKEN),
        ({"array_state": "suspended"}, Remark.SUSPENDED, Protection.UNKNOWN),
        ({"array_state": "readonly"}, Remark.READ_ONLY, Protection.WHOLE),
        ({"array_state": "sideways"}, Remark.UNKNOWN_WORD, Protection.UNKNOWN),
        ({"sync_action": "frozen"}, Remark.FROZEN, Protection.WHOLE),
        ({"sync_action": "dancing"}, Remark.UNKNOWN_WORD, Protection.UNKNOWN),
        ({"degraded": "1"}, Remark.FEW_CHECKS, Protection.UNKNOWN),
        ({"resync_start": "0"}, Remark.PARITY_STALE, Protection.BARE),
        ({"resync_start": "0", "degraded": "1"}, Remark.DIRTY_DEGRADED, Protection.BARE),
        ({"mismatch_cnt": "128"}, Remark.COPIES_DIFFER, Protection.WHOLE),
    ],
)
def test_a_state_of_the_kernel_s_is_remarked_and_caps_the_protection(
    attributes: dict[str, str], remark: Remark, protection: Protection
) -> None:
    """Source: md.rst, array_state and sync_action; unknown words are unknown, never well."""
    found = with_attributes(**attributes)
    assert noted(found, remark).text
    assert found.protection is protection


@pytest.mark.parametrize("state", ["clean", "active", "active-idle", "write-pending", "read-auto"])
def test_ordinary_states_are_no_news(state: str) -> None:
    found = with_attributes(array_state=state)
    assert (found.notes, found.protection) == ((), Protection.WHOLE)


def test_dirty_and_degraded_parity_is_bare_at_best() -> None:
    """Source: md.rst: a dirty, degraded RAID5 or 6 may hold undetectable corruption."""
    told = {name: where for name, where in four().items() if name != "sdb"}
    text = mdstat(line("sdd[4] sdc[2] sda[0]", "U_UU", level="raid6"))
    found = pool(text, sysfs(told, level="raid6", degraded="1", resync_start="0"))
    assert found.protection is Protection.BARE
    assert noted(found, Remark.DIRTY_DEGRADED).at_most is Protection.BARE


def test_mirrors_are_not_bare_while_they_compare() -> None:
    """Source: md(4), unclean shutdown: a mirror copies one leg to the others, all hold data."""
    found = with_attributes(level="raid1", resync_start="0", sync_action="resync")
    assert found.protection is Protection.WHOLE
    assert found.noted(Remark.PARITY_STALE) is None


@pytest.mark.parametrize(
    ("level", "words"), [("raid1", "no proof"), ("raid5", "points to"), ("raid6", "points to")]
)
def test_differences_mean_less_on_mirrors(level: str, words: str) -> None:
    """Source: md(4), scrubbing and mismatches: swap on mirrors, hardware on RAID5 and 6."""
    note = noted(with_attributes(level=level, mismatch_cnt="2432"), Remark.COPIES_DIFFER)
    assert note.amount == 2432
    assert words in note.text


def test_what_a_repair_counted_is_mended() -> None:
    found = with_attributes(mismatch_cnt="128", last_sync_action="repair")
    assert found.noted(Remark.COPIES_DIFFER) is None


def test_a_member_whose_device_is_gone_is_found_while_all_slots_are_up() -> None:
    found = pool(mdstat(line(ALL, "UUUU")), sysfs(four()), gone=frozenset({"sdc"}))
    assert noted(found, Remark.DEVICE_GONE).member == "sdc"
    assert (found.protection, found.margin) == (Protection.BARE, 0)


def test_a_member_that_the_kernel_gave_up_is_found_while_all_slots_are_up() -> None:
    """An idle array counts on it until the next write; its drive can be named."""
    found = pool(mdstat(line(ALL, "UUUU")), sysfs(four()), given_up=frozenset({"sdc"}))
    note = noted(found, Remark.DEVICE_GONE)
    assert (note.member, "given it up" in note.text) == ("sdc", True)
    assert (found.protection, found.margin) == (Protection.BARE, 0)
    (lost,) = [m for m in found.members if m.name == "sdc"]
    assert lost.drives == (DriveId("drive-sdc"),)


def test_two_gone_devices_of_a_raid5_are_a_broken_pool_though_nothing_says_so() -> None:
    found = pool(mdstat(line(ALL, "UUUU")), sysfs(four()), gone=frozenset({"sdb", "sdc"}))
    assert found.protection is Protection.BROKEN


def test_corrected_errors_bad_blocks_and_write_errors_are_told_per_member() -> None:
    """Source: md.rst, errors: read errors that were corrected without putting the member out."""
    files = sysfs(four(sdb=("1", "in_sync,write_error,want_replacement")))
    files["/sys/block/md0/md/dev-sda/errors"] = "16\n"
    files["/sys/block/md0/md/dev-sdd/bad_blocks"] = "100 8\n"
    found = pool(mdstat(line(ALL, "UUUU")), files)
    told = [(n.member, n.amount) for n in found.notes if n.remark is Remark.MEMBER_ERRS]
    assert told == [("sda", 16), ("sdb", None), ("sdd", 8)]
    assert found.protection is Protection.WHOLE


def test_a_rebuild_that_copies_from_bad_blocks_may_not_finish() -> None:
    files = sysfs(four(sdd=("3", "spare")), sync_action="recover", degraded="1")
    files["/sys/block/md0/md/dev-sda/bad_blocks"] = "100 8\n"
    found = pool(mdstat(line(ALL, "UUU_")), files)
    note = noted(found, Remark.CANNOT_FINISH)
    assert (note.member, note.amount) == ("sda", 8)


@pytest.mark.parametrize(
    ("lists", "lost"),
    [
        ({"sda": "100 8"}, None),  # one member: the others have it
        ({"sda": "100 8", "sdc": "108 8"}, None),  # beside each other
        ({"sda": "100 8", "sdc": "104 16"}, 4),
        ({"sda": "100 8\n900 8", "sdc": "100 8", "sdd": "900 8"}, 16),
    ],
)
def test_one_place_bad_on_two_members_of_a_raid5_is_lost(
    lists: dict[str, str], lost: int | None
) -> None:
    """All members stand, no count of losses is raised, and a stripe cannot be computed any more."""
    files = sysfs(four())
    for name, text in lists.items():
        files[f"/sys/block/md0/md/dev-{name}/bad_blocks"] = f"{text}\n"
    found = pool(mdstat(line(ALL, "UUUU")), files)
    note = found.noted(Remark.DAMAGED_DATA)
    assert (note.amount if note is not None else None) == lost
    assert found.protection is (Protection.WHOLE if lost is None else Protection.BROKEN)


def test_bad_places_are_compared_from_where_the_data_begins() -> None:
    files = sysfs(four())
    for name, text, offset in (("sda", "2148 8", "2048"), ("sdc", "264244 8", "264144")):
        files[f"/sys/block/md0/md/dev-{name}/bad_blocks"] = f"{text}\n"
        files[f"/sys/block/md0/md/dev-{name}/offset"] = f"{offset}\n"
    found = pool(mdstat(line(ALL, "UUUU")), files)
    assert noted(found, Remark.DAMAGED_DATA).amount == 8


SPARE = {**{n: w for n, w in four().items() if n != "sdb"}, "sde": ("none", "spare")}
WAITS = mdstat(line("sde[5](S) sdd[4] sdc[2] sda[0]", "U_UU"))


def test_a_rebuild_that_was_given_up_is_found_at_the_second_look() -> None:
    """Source: Linux commit 4044ba58dd15: recovery stops when the last copy cannot be read."""
    files = sysfs(SPARE, degraded="1", raid_disks="4")
    first = pool(WAITS, files)
    assert first.noted(Remark.CANNOT_FINISH) is None
    second = pool(WAITS, files, previous=(first,))
    assert noted(second, Remark.CANNOT_FINISH).member == "sde"
    assert second.protection is Protection.BARE


@pytest.mark.parametrize("attributes", [{"sync_action": "frozen"}, {"array_state": "read-auto"}])
def test_repairs_that_are_held_are_not_given_up(attributes: dict[str, str]) -> None:
    files = sysfs(SPARE, degraded="1", raid_disks="4", **attributes)
    first = pool(WAITS, files)
    assert pool(WAITS, files, previous=(first,)).noted(Remark.CANNOT_FINISH) is None


def test_a_lost_journal_is_told() -> None:
    members = {**four(), "sdj": ("none", "faulty,journal")}
    found = pool(mdstat(line(f"sdj[5](J)(F) {ALL}", "UUUU")), sysfs(members, raid_disks="4"))
    assert noted(found, Remark.READ_ONLY).member == "sdj"
    assert found.noted(Remark.MEMBER_ERRS) is None  # nothing was repaired or borne


def test_a_replacement_that_a_person_asked_for_is_no_error() -> None:
    """mdadm --replace sets want_replacement alone, a write error write_error beside it (md.rst)."""
    told = four(sdb=("1", "in_sync,want_replacement"))
    assert pool(mdstat(line(ALL, "UUUU")), sysfs(told)).noted(Remark.MEMBER_ERRS) is None


def test_an_array_in_a_firmware_container_is_named_as_one() -> None:
    text = mdstat(
        "md126 : active raid1 sdb[1] sda[0]\n      1855 blocks super external:/md127/0 [2/2] [UU]",
        "md127 : inactive sda[1](S) sdb[0](S)\n      6306 blocks super external:imsm\n       ",
    )
    found = pool(text, None)
    assert found.name == "md126"
    assert "/md127/0" in noted(found, Remark.EXTERNAL_METADATA).text


def test_the_summary_alone_is_said_to_be_little() -> None:
    found = pool(mdstat(line(ALL, "UUUU")), None)
    assert "summary" in noted(found, Remark.FEW_CHECKS).text


def test_a_broken_stripe_is_broken() -> None:
    text = mdstat("md4 : broken raid0 sdj[1] sdi[0]\n      9999 blocks super 1.2 512k chunks")
    assert pool(text, None).protection is Protection.BROKEN
