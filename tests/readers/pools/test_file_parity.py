"""The reader of file-level parity: what is unsynced is unprotected."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import combinations

import pytest

from tests.lab.step_host import SNAPRAID_CONF, SYNCED, host_of, kept_step, kept_steps
from tests.readers.pools.boxes import HandBlocks
from tests.readers.pools.tampering import complaints
from watcher.facts.drive import Unread
from watcher.facts.identity import DriveId
from watcher.facts.pool import AtStake, MemberState, Pool, Protection, Remark, Role, WorkKind
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.pools import file_parity
from watcher.readers.pools.shape import PoolsRead
from watcher.readers.recorded import Answer, RecordedHost

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
STEPS = [step for scenario, step in kept_steps() if scenario == "snapraid"]
TWO = SNAPRAID_CONF + "2-parity /mnt/p2/snapraid.2-parity\n"
MOUNTS = "/dev/vda / ext4 rw 0 0\n" + "".join(
    f"/dev/sd{letter} /mnt/{name} ext4 rw 0 0\n"
    for letter, name in zip("abcde", ("d1", "d2", "d3", "p1", "p2"), strict=True)
)
NO_CHANGES = f"{SYNCED}No differences\n"
BARE, WHOLE, THINNED = Protection.BARE, Protection.WHOLE, Protection.THINNED


def report(*, sync: str = "No sync is in progress.", errors: str = "No error detected.") -> str:
    text = kept_step("snapraid", "04-silent-corruption")["status.txt"]
    said = text[text.index("DANGER!") : text.index("They are")].strip()
    return text.replace("No sync is in progress.", sync).replace(said, errors).replace("rc=0\n", "")


def changes(**counts: int) -> str:
    lines = [line.split() for line in SYNCED.splitlines()]
    told = "".join(f"{counts.get(what, count)} {what}\n" for count, what in lines)
    return f"{told}There are differences!\n"


def box(
    *,
    conf: str = SNAPRAID_CONF,
    status: str | None = None,
    diff: str | None = NO_CHANGES,
    mounts: str | None = MOUNTS,
) -> RecordedHost:
    programs: dict[tuple[str, ...], Answer] = {
        file_parity.STATUS: (0, report() if status is None else status, "")
    }
    if diff is not None:
        programs[file_parity.DIFF] = (2, diff, "")
    files = {"/etc/snapraid.conf": conf, "/mnt/p1/snapraid.parity": "",
             "/mnt/p2/snapraid.2-parity": ""}  # fmt: skip
    if mounts is not None:
        files[file_parity.MOUNTS] = mounts
    return RecordedHost(programs=programs, files=files)


def look(host: RecordedHost, blocks: HandBlocks | None = None, **more: bool) -> PoolsRead:
    return file_parity.read(host, blocks or HandBlocks(), observed_at=NOW, **more)


def pool_of(host: RecordedHost, blocks: HandBlocks | None = None, **more: bool) -> Pool:
    (pool,) = look(host, blocks, **more).pools
    return pool


def state(pool: Pool) -> tuple[Protection, int | None, int | None]:
    return (pool.protection, pool.margin, pool.full_margin)


def test_no_configuration_means_no_array() -> None:
    assert look(RecordedHost()) == PoolsRead(answered=("file-parity",))


def test_a_configuration_that_may_not_be_read_is_a_blind_spot() -> None:
    with pytest.raises(CannotRead):
        look(RecordedHost(denied=["/etc/snapraid.conf"]))


def test_a_synced_array_bears_as_many_as_it_has_parities() -> None:
    pool = pool_of(box())
    assert (state(pool), pool.at_stake) == ((WHOLE, 1, 1), AtStake.MEMBER)
    assert state(pool_of(box(conf=TWO))) == (WHOLE, 2, 2)
    assert [(m.name, m.role, m.node) for m in pool.members] == [
        ("d1", Role.DATA, "/dev/sda"), ("d2", Role.DATA, "/dev/sdb"),
        ("d3", Role.DATA, "/dev/sdc"), ("parity", Role.PARITY, "/dev/sdd"),
    ]  # fmt: skip
    assert pool.drives == {DriveId(f"drive-sd{x}") for x in "abcd"}


@pytest.mark.parametrize("kind", ["added", "updated", "copied"])
@pytest.mark.parametrize("conf", [SNAPRAID_CONF, TWO])
def test_what_is_new_since_the_sync_is_lost_with_its_disk(kind: str, conf: str) -> None:
    """It stands on one disk only, however many parities there are."""
    pool = pool_of(box(conf=conf, diff=changes(**{kind: 7})))
    assert (pool.protection, pool.margin) == (BARE, 0)
    note = pool.noted(Remark.UNSYNCED)
    assert note is not None
    assert note.amount == 7
    assert "7" in note.text


@pytest.mark.parametrize("kind", ["removed", "moved", "restored"])
def test_what_went_since_the_sync_costs_one(kind: str) -> None:
    """Parity was computed with it, so in its rows that disk counts as lost."""
    diff = changes(**{kind: 7})
    assert state(pool_of(box(diff=diff))) == (BARE, 0, 1)
    assert state(pool_of(box(conf=TWO, diff=diff))) == (THINNED, 1, 2)


def survives(parities: int, disks: tuple[int, ...], stale: int, lost: frozenset[int]) -> bool:
    """Tell whether one row of blocks can be computed: unknown blocks, and equations that stand.

    Places below 0 are parities. The block of the disk ``stale`` is not the one that parity was
    computed with; what it held is not wanted any more. From the code's own algebra (Reed-Solomon:
    as many unknown blocks as equations).
    """
    equations = sum(place not in lost for place in range(-parities, 0))
    wanted = [disk for disk in disks if disk in lost and disk != stale]
    unknown = {*wanted, stale}
    return not wanted or len(unknown) <= equations


@pytest.mark.parametrize("out", [(), ("d1",), ("p1",), ("d1", "d2")])
@pytest.mark.parametrize("parities", [1, 2])
def test_what_went_costs_one_beside_the_disks_that_are_lost(
    parities: int, out: tuple[str, ...]
) -> None:
    """Every way to lose more disks is counted, in a row where the disk d3 gave up a block."""
    places = {"d1": 0, "d2": 1, "d3": 2, "p1": -1, "p2": -2}
    there = {places[name] for name in out}
    left = [p for p in (0, 1, 2, *range(-parities, 0)) if p not in there]
    margin = -1
    for count in range(len(left) + 1):
        ways = combinations(left, count)
        if not all(survives(parities, (0, 1, 2), 2, frozenset({*there, *w})) for w in ways):
            break
        margin = count
    pool = pool_of(
        box(
            conf=TWO if parities == 2 else SNAPRAID_CONF,
            diff=changes(removed=3),
            mounts=without(*out),
        )
    )
    assert pool.margin == max(margin, 0)
    assert pool.protection in {BARE, Protection.BROKEN} or margin > 0


def test_bad_blocks_cost_one_and_tell_the_way_to_restore_them() -> None:
    bad = report(errors="DANGER! In the array there are 3 errors!")
    assert state(pool_of(box(status=bad))) == (BARE, 0, 1)
    two = pool_of(box(conf=TWO, status=bad))
    note = two.noted(Remark.DAMAGED_DATA)
    assert note is not None
    assert (state(two), note.amount) == ((THINNED, 1, 2), 3)
    assert state(pool_of(box(conf=TWO, status=bad, mounts=without("d1")))) == (BARE, 0, 2)


def test_a_sync_that_was_broken_off_costs_one() -> None:
    pool = pool_of(box(status=report(sync="You have a sync in progress at 37%.")))
    assert state(pool) == (BARE, 0, 1)
    assert pool.work is not None
    assert (pool.work.kind, pool.work.done_fraction) == (WorkKind.SYNC, 0.37)


def test_an_array_that_was_never_synced_protects_nothing() -> None:
    text = kept_step("snapraid", "01-before-sync")["status.txt"].replace("rc=0\n", "")
    assert state(pool_of(box(status=text))) == (BARE, 0, 1)
    assert state(pool_of(box(conf=TWO, status=text))) == (BARE, 0, 2)


def without(*names: str) -> str:
    return "".join(
        f"{line}\n" for line in MOUNTS.splitlines() if line.split()[1] not in {
            f"/mnt/{name}" for name in names
        }
    )  # fmt: skip


def test_a_disk_that_is_not_mounted_is_missing_though_status_says_nothing() -> None:
    """FIELD NOTES: ``status`` returns 0 with a disk lost."""
    pool = pool_of(box(mounts=without("d2")))
    assert state(pool) == (BARE, 0, 1)
    assert [m.state for m in pool.members].count(MemberState.MISSING) == 1
    assert state(pool_of(box(mounts=without("d2", "d3")))) == (Protection.BROKEN, 0, 1)
    assert state(pool_of(box(conf=TWO, mounts=without("d2")))) == (THINNED, 1, 2)


def test_a_lost_parity_disk_is_a_lost_margin() -> None:
    assert state(pool_of(box(mounts=without("p1")))) == (BARE, 0, 1)


def test_a_parity_file_that_is_gone_is_a_lost_margin() -> None:
    host = box(conf=SNAPRAID_CONF.replace("/mnt/p1/snapraid.parity", "/mnt/p1/other.parity"))
    assert state(pool_of(host)) == (BARE, 0, 1)


def test_a_disk_whose_device_is_gone_is_missing_though_it_is_mounted() -> None:
    assert state(pool_of(box(), HandBlocks(gone=frozenset({"sdc"})))) == (BARE, 0, 1)


def test_a_disk_whose_files_are_all_gone_is_missing_and_warned_of() -> None:
    said = "WARNING! All the files previously present in disk 'd2' at dir '/mnt/d2/'\n"
    pool = pool_of(box(diff=said + changes(removed=5)))
    assert pool.members[1].state is MemberState.MISSING
    note = pool.noted(Remark.UNSYNCED)
    assert note is not None
    assert "do not sync" in note.text


def test_two_disks_on_one_drive_are_one_loss() -> None:
    shared = HandBlocks(below={"sda": ("a",), "sdb": ("a",)})
    assert state(pool_of(box(), shared)) == (BARE, 0, 0)


def test_mounts_that_tell_nothing_prove_nothing() -> None:
    assert state(pool_of(box(mounts=None))) == (WHOLE, 1, 1)
    assert state(pool_of(box(mounts="/dev/vda / ext4 rw 0 0\n"))) == (WHOLE, 1, 1)


def test_a_command_at_work_makes_the_state_unknown_and_is_no_blind_spot() -> None:
    """The sentence from memory of snapraid's own source."""
    host = RecordedHost(
        programs={file_parity.STATUS: (1, "", "SnapRAID is already in use!\n")},
        files={"/etc/snapraid.conf": SNAPRAID_CONF},
    )
    seen = look(host)
    (pool,) = seen.pools
    assert (pool.protection, seen.blind) == (Protection.UNKNOWN, ())
    assert pool.work is not None


def test_no_program_is_a_blind_spot_and_lost_disks_are_seen_all_the_same() -> None:
    host = RecordedHost(
        files={"/etc/snapraid.conf": SNAPRAID_CONF, file_parity.MOUNTS: without("d2"),
               "/mnt/p1/snapraid.parity": ""},
    )  # fmt: skip
    seen = look(host)
    assert [spot.why for spot in seen.blind] == [Unread.TOOL_MISSING]
    assert state(seen.pools[0]) == (BARE, 0, 1)


def test_changes_that_were_not_asked_for_are_no_doubt_and_those_unseen_are() -> None:
    asleep = look(box(diff=None), look_for_changes=False)
    unseen = look(box(diff=None))
    assert (state(asleep.pools[0]), asleep.blind) == ((WHOLE, 1, 1), ())
    assert unseen.pools[0].protection is Protection.UNKNOWN
    assert len(unseen.blind) == 1


def test_unsynced_changes_hold_until_they_are_looked_for_again() -> None:
    """Otherwise a look that wakes no drive would call the array whole."""
    before = look(box(diff=changes(added=7)))
    asleep = file_parity.read(
        box(diff=None), HandBlocks(), observed_at=NOW, look_for_changes=False, previous=before.pools
    )
    assert asleep.pools == before.pools
    synced = file_parity.read(box(), HandBlocks(), observed_at=NOW, previous=asleep.pools)
    assert state(synced.pools[0]) == (WHOLE, 1, 1)


def test_a_report_of_other_disks_is_not_believed() -> None:
    conf = SNAPRAID_CONF.replace("data d3", "data other")
    seen = look(box(conf=conf))
    assert seen.pools[0].protection is Protection.UNKNOWN
    assert seen.answered == ()


def test_a_configuration_that_is_not_understood_is_a_blind_spot() -> None:
    with pytest.raises(CannotParse):
        look(box(conf="parity\n"))


def test_the_last_scrub_is_told_by_the_block_that_waits_longest() -> None:
    aged = report().replace(
        "The oldest block was scrubbed 0 days", "The oldest block was scrubbed 41 days"
    )
    assert pool_of(box(status=aged)).scrubbed_at == NOW - timedelta(days=41)
    never = kept_step("snapraid", "02-sync")["status.txt"].replace("rc=0\n", "")
    assert pool_of(box(status=never)).scrubbed_at is None


@pytest.mark.parametrize("step", STEPS)
def test_no_damaged_answer_ever_looks_healthier_than_the_whole_one(step: str) -> None:
    host, moment = host_of(kept_step("snapraid", step))
    found, tried = complaints(
        host,
        frozenset({"snapraid"}),
        lambda at: file_parity.read(at, HandBlocks(), observed_at=moment),
    )
    assert found == []
    assert tried > 50
