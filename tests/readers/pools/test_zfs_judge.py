"""What a ZFS pool's words and its tree mean together."""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import permutations
from typing import Any

import pytest

from tests.readers.pools.zfs_texts import GUID, NOW, Row, drive, group, row, scan, text
from tests.readers.pools.zfs_texts import as_json as said
from watcher.facts.identity import PoolId
from watcher.facts.pool import Pool, Protection, Remark, Work, WorkKind, WorkState
from watcher.readers.pools import zfs_json, zfs_text
from watcher.readers.pools.zfs_judge import Usable, judge
from watcher.readers.pools.zfs_tree import build

RAIDZ = group("raidz1-0", "sda", "sdb", "sdc")
WHOLE, THINNED, BARE = Protection.WHOLE, Protection.THINNED, Protection.BARE
BROKEN, UNKNOWN = Protection.BROKEN, Protection.UNKNOWN


def judged(rows: Sequence[Row], **more: Any) -> Pool:
    usable = more.pop("usable", None)
    (status,) = zfs_json.parse(said(rows, **more))
    return judge(status, build(status, lambda member, _: member), observed_at=NOW, usable=usable)


def state(pool: Pool) -> tuple[Protection, int | None, int | None]:
    return (pool.protection, pool.margin, pool.full_margin)


def test_a_pool_with_all_its_drives_is_whole() -> None:
    pool = judged(RAIDZ, usable=Usable(used_bytes=1, available_bytes=2, mount_point="/tank"))
    assert state(pool) == (WHOLE, 1, 1)
    assert (pool.pool, pool.name, pool.layout) == (PoolId(f"zfs:{GUID}"), "tank", "raidz1")
    assert (pool.used_bytes, pool.capacity_bytes, pool.node) == (1, 3, "/tank")
    assert pool.notes == ()


def test_a_suspended_pool_is_broken_with_all_its_drives_online() -> None:
    """FIELD NOTES: SUSPENDED while all vdevs say ONLINE."""
    pool = judged(RAIDZ, state="SUSPENDED")
    assert state(pool) == (BROKEN, 0, 1)
    assert pool.noted(Remark.SUSPENDED) is not None


@pytest.mark.parametrize(
    "more",
    [
        {"msgid": "ZFS-8000-HC"},
        {"msgid": "ZFS-8000-JQ"},
        {"status": "One or more devices are faulted in response to IO failures.\n"},
    ],
)
def test_a_pool_that_stopped_is_known_by_its_message_too(more: dict[str, str]) -> None:
    """Messages from memory of OpenZFS' list (ZFS-8000-HC, ZFS-8000-JQ)."""
    assert judged(RAIDZ, **more).protection is BROKEN


@pytest.mark.parametrize("word", ["UNAVAIL", "FAULTED", "REMOVED", "OFFLINE"])
def test_a_pool_that_cannot_be_used_is_broken(word: str) -> None:
    """REFERENCES 4.29: zpoolconcepts(7)."""
    assert judged(RAIDZ, state=word).protection is BROKEN


def test_a_word_that_is_not_known_is_never_fine() -> None:
    assert judged(RAIDZ, state="DREAMING").protection is UNKNOWN
    assert judged(RAIDZ, scan=scan("SCRUB", "DREAMING")).protection is UNKNOWN
    odd = judged(group("raidz1-0", "sda", "sdb", drive("sdc", "DREAMING")), state="DEGRADED")
    assert odd.protection is UNKNOWN


def test_damage_is_told_though_every_state_says_online() -> None:
    pool = judged(RAIDZ, errors=65, files=["/tank/f2"])
    note = pool.noted(Remark.DAMAGED_DATA)
    assert note is not None
    assert (pool.protection, note.amount) == (BROKEN, 65)
    assert "/tank/f2" in note.text


def test_damage_that_may_not_be_told_is_not_taken_for_none() -> None:
    (status,) = zfs_text.parse(text(RAIDZ, errors="List of errors unavailable: no rights"))
    pool = judge(status, build(status, lambda member, _: member), observed_at=NOW)
    assert pool.protection is UNKNOWN


def test_why_damage_is_not_told_is_the_right_reason() -> None:
    for state, reason in (("SUSPENDED", "has stopped"), ("ONLINE", "the rights")):
        said = text(RAIDZ, errors="List of errors unavailable: so it is").replace(
            "state: ONLINE", f"state: {state}", 1
        )
        (status,) = zfs_text.parse(said)
        pool = judge(status, build(status, lambda member, _: member), observed_at=NOW)
        note = pool.noted(Remark.FEW_CHECKS)
        assert note is not None
        assert reason in note.text


def test_a_scan_with_errors_that_are_not_listed_any_more_is_told_and_costs_nothing() -> None:
    pool = judged(RAIDZ, scan=scan("SCRUB", "FINISHED", errors=3))
    assert pool.protection is WHOLE
    assert pool.noted(Remark.DAMAGED_DATA) is not None


def test_equal_checksum_counts_on_all_drives_blame_none_of_them() -> None:
    """REFERENCES 4.31: zpoolconcepts(7), errors are counted on all disks of such a block."""
    rows = group("raidz1-0", *[drive(d, errors=(0, 0, 262)) for d in ("sda", "sdb", "sdc")])
    notes = [note for note in judged(rows).notes if note.remark is Remark.MEMBER_ERRS]
    assert [(note.member, note.amount) for note in notes] == [(None, 262)]


def test_a_drive_that_stands_out_is_blamed() -> None:
    rows = group("raidz1-0", "sda", "sdb", drive("sdc", errors=(1, 2, 175)))
    notes = [note for note in judged(rows).notes if note.remark is Remark.MEMBER_ERRS]
    assert [(note.member, note.amount) for note in notes] == [("sdc", 178)]


def test_a_drive_is_blamed_for_what_it_has_beyond_the_shared_count() -> None:
    rows = group("raidz1-0", *[drive(d, errors=(0, 0, 9)) for d in ("sda", "sdb")],
                 drive("sdc", errors=(4, 0, 9)))  # fmt: skip
    members = [n.member for n in judged(rows).notes if n.remark is Remark.MEMBER_ERRS]
    assert members == [None, "sdc"]


def test_a_lone_drive_with_errors_is_blamed() -> None:
    rows = [drive("sda", errors=(0, 0, 5), depth=1)]
    assert [note.member for note in judged(rows).notes] == ["sda"]


def test_a_degraded_drive_is_not_relied_on() -> None:
    """zpoolconcepts(7): too many checksum errors, and in use all the same."""
    worn = drive("sdc", "DEGRADED", errors=(0, 0, 90))
    rows = group("raidz2-0", "sda", "sdb", worn, "sdd", state="DEGRADED")
    assert state(judged(rows, state="DEGRADED")) == (THINNED, 1, 2)
    single = group("raidz1-0", "sda", "sdb", worn, state="DEGRADED")
    assert state(judged(single, state="DEGRADED")) == (BARE, 0, 1)


@pytest.mark.parametrize(
    ("level", "words", "expected"),
    [
        (2, ("DEGRADED", "DEGRADED"), (BARE, 0, 2)),
        (3, ("DEGRADED", "DEGRADED"), (THINNED, 1, 3)),
        (2, ("DEGRADED", "UNAVAIL"), (BARE, 0, 2)),
        (3, ("DEGRADED", "UNAVAIL"), (THINNED, 1, 3)),
        (2, ("DEGRADED", "DEGRADED", "UNAVAIL"), (BARE, 0, 2)),
        (1, ("DEGRADED", "DEGRADED"), (BARE, 0, 1)),
    ],
)
def test_each_drive_that_is_not_relied_on_costs_one(
    level: int, words: tuple[str, ...], expected: tuple[Protection, int, int]
) -> None:
    """raidzP bears P drives (zpoolconcepts(7)): those lost and those not relied on together."""
    worn = [drive(f"sd{x}", word) for x, word in zip("abc", words, strict=False)]
    rows = group(f"raidz{level}-0", *worn, "sdd", "sde", "sdf", state="DEGRADED")
    assert state(judged(rows, state="DEGRADED")) == expected


def test_an_unnamed_drive_that_is_filled_costs_one_beside_a_drive_that_is_lost() -> None:
    rows = group("raidz3-0", "sda", "sdb", "sdc", "sdd", "sde", drive("sdf", "DEGRADED"))
    pool = judged(rows, state="DEGRADED", scan=scan("RESILVER", "SCANNING"))
    assert state(pool) == (THINNED, 1, 3)


def test_a_pool_that_is_called_degraded_and_shows_no_culprit_bears_one_less() -> None:
    rows = group("raidz2-0", "sda", "sdb", "sdc", "sdd")
    assert state(judged(rows, state="DEGRADED")) == (THINNED, 1, 2)
    odd = [row(1, "mirror-0", "DEGRADED"), drive("sda"), drive("sdb")]
    assert state(judged(odd)) == (BARE, 0, 1)


def test_a_lost_log_explains_a_degraded_pool_and_costs_no_margin() -> None:
    sections = {"logs": [drive("sdf", "FAULTED", depth=1)]}
    assert state(judged(RAIDZ, state="DEGRADED", sections=sections)) == (WHOLE, 1, 1)


@pytest.mark.parametrize("word", ["SCANNING", "CANCELED"])
def test_an_open_resilver_of_an_unnamed_drive_costs_one(word: str) -> None:
    """REFERENCES 4.32: a canceled resilver is not redundancy proven."""
    pool = judged(RAIDZ, scan=scan("RESILVER", word))
    assert state(pool) == (BARE, 0, 1)
    assert pool.noted(Remark.REFRESH_NEEDED) is not None


def rebuild(word: str, **more: int) -> dict[str, Any]:
    """Make one sequential resilver, as it stands in ``rebuild_stats`` (from memory)."""
    return {"mirror-0": {"name": "mirror-0", "state": word, "to_scan": 1000, "issued": 250,
                         "errors": 0, "start_time": 1772240000, "end_time": 0, **more}}  # fmt: skip


REPLACING = [
    row(1, "mirror-0", "DEGRADED"), drive("sda"), row(2, "replacing-1", "DEGRADED"),
    drive("sdb", "UNAVAIL", depth=3), drive("sdc", depth=3),
]  # fmt: skip


STOOD_IN = [row(1, "mirror-0", "DEGRADED"), drive("sda"), row(2, "spare-1", "DEGRADED"),
            *REPLACING[3:]]  # fmt: skip


@pytest.mark.parametrize("before", [{}, scan("SCRUB", "FINISHED"), scan("RESILVER", "FINISHED")])
def test_a_sequential_resilver_counts_the_new_drive_only_when_it_is_complete(
    before: dict[str, Any],
) -> None:
    """It is no scan of the pool: an older scan that is finished says nothing of it."""
    running = {**before, "rebuild_stats": rebuild("ACTIVE")}
    assert state(judged(STOOD_IN, state="DEGRADED", scan=running)) == (BARE, 0, 1)
    pool = judged(REPLACING, state="DEGRADED", scan=running)
    assert state(pool) == (BARE, 0, 1)
    assert pool.work == Work(
        kind=WorkKind.REBUILD, done_fraction=0.25, done_bytes=250, total_bytes=1000
    )
    broken_off = {**before, "rebuild_stats": rebuild("CANCELED", end_time=1772250000)}
    assert state(judged(REPLACING, state="DEGRADED", scan=broken_off)) == (BARE, 0, 1)
    complete = {**before, "rebuild_stats": rebuild("COMPLETE", end_time=1772250000)}
    assert state(judged(STOOD_IN, state="DEGRADED", scan=complete)) == (WHOLE, 1, 1)


def test_a_rebuild_that_was_canceled_before_a_resilver_healed_all_is_over() -> None:
    old = {"rebuild_stats": rebuild("CANCELED", end_time=1772243000)}
    healed = {**scan("RESILVER", "FINISHED"), **old}
    assert state(judged(RAIDZ, scan=healed)) == (WHOLE, 1, 1)
    assert state(judged(RAIDZ, scan={**scan("SCRUB", "FINISHED"), **old})) == (BARE, 0, 1)


def test_a_word_for_a_rebuild_that_is_not_known_is_told() -> None:
    pool = judged(RAIDZ, scan={"rebuild_stats": rebuild("PONDERING")})
    assert state(pool) == (UNKNOWN, None, 1)


def test_a_device_that_cannot_be_opened_is_missing_by_either_name() -> None:
    for word in ("UNAVAIL", "CANT_OPEN"):
        lost = [row(1, "mirror-0", "DEGRADED"), drive("sda"), drive("sdb", word)]
        assert state(judged(lost, state="DEGRADED")) == (BARE, 0, 1)


def test_a_canceled_scrub_costs_nothing() -> None:
    pool = judged(RAIDZ, scan=scan("SCRUB", "CANCELED"))
    assert (state(pool), pool.scrubbed_at) == ((WHOLE, 1, 1), None)


@pytest.mark.parametrize(
    ("stats", "work"),
    [
        (scan("SCRUB", "SCANNING"), (WorkKind.SCRUB, WorkState.RUNNING)),
        (scan("SCRUB", "SCANNING", scrub_pause=5), (WorkKind.SCRUB, WorkState.PAUSED)),
        (scan("RESILVER", "SCANNING"), (WorkKind.REBUILD, WorkState.RUNNING)),
    ],
)
def test_work_is_told_with_how_far_it_is(
    stats: dict[str, Any], work: tuple[WorkKind, WorkState]
) -> None:
    pool = judged(RAIDZ, scan=stats)
    assert pool.work == Work(
        kind=work[0], state=work[1], done_fraction=0.25, done_bytes=250, total_bytes=1000
    )


def test_a_finished_scrub_tells_when_and_never_in_the_future() -> None:
    assert judged(RAIDZ, scan=scan("SCRUB", "FINISHED")).scrubbed_at is not None
    late = judged(RAIDZ, scan=scan("SCRUB", "FINISHED", end_time=4_000_000_000))
    assert late.scrubbed_at == NOW
    assert judged(RAIDZ, scan=scan("RESILVER", "FINISHED")).scrubbed_at is None


def test_a_hot_spare_that_stands_in_is_told() -> None:
    rows = [
        row(1, "raidz1-0", "DEGRADED"), drive("sda"), drive("sdb"), row(2, "spare-2", "DEGRADED"),
        drive("sdc", "UNAVAIL", depth=3), drive("sdh", depth=3),
    ]  # fmt: skip
    sections = {"spares": [drive("sdh", "INUSE", depth=1)]}
    pool = judged(rows, state="DEGRADED", sections=sections, scan=scan("RESILVER", "FINISHED"))
    assert state(pool) == (WHOLE, 1, 1)
    note = pool.noted(Remark.SPARE_IN_USE)
    assert note is not None
    assert note.member == "sdh"


def test_the_order_of_drives_does_not_matter() -> None:
    drives = [drive("sda"), drive("sdb", "FAULTED"), drive("sdc", errors=(0, 0, 4)), drive("sdd")]
    seen = {
        state(judged([row(1, "raidz2-0", "DEGRADED"), *order], state="DEGRADED"))
        for order in permutations(drives)
    }
    assert seen == {(THINNED, 1, 2)}


def test_a_drive_that_took_very_long_is_noted_and_counts_all_the_same() -> None:
    """OpenZFS 2.3.2 told ``slow_ios`` of each drive in JSON, without any option, in our own run."""
    document = json.loads(said(RAIDZ))
    drives = document["pools"]["tank"]["vdevs"]["tank"]["vdevs"]["raidz1-0"]["vdevs"]
    drives["/dev/sda"]["slow_ios"] = 0
    drives["/dev/sdb"]["slow_ios"] = 7
    (status,) = zfs_json.parse(json.dumps(document))
    pool = judge(status, build(status, lambda member, _: member), observed_at=NOW)
    assert state(pool) == (WHOLE, 1, 1)
    assert [(n.remark, n.member, n.amount) for n in pool.notes] == [(Remark.MEMBER_SLOW, "sdb", 7)]
