"""Arrays that the owner declares: what follows from which members exist and answer."""

from __future__ import annotations

from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.readers.pools.boxes import NOW, HandBlocks
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.pool import AtStake, MemberState, Pool, PoolKind, Protection, Remark, Role
from watcher.readers.pools import declared
from watcher.readers.pools.declared import DeclaredMember, DeclaredPool, DrivesSeen
from watcher.readers.recorded import RecordedHost

WHOLE, THINNED, BARE = Protection.WHOLE, Protection.THINNED, Protection.BARE
BROKEN, UNKNOWN = Protection.BROKEN, Protection.UNKNOWN
NAMES = ("one", "two", "three", "four")
MOUNTS = "/dev/sda /mnt/one ext4 rw 0 0\n/dev/sdb /mnt/my\\040two ext4 rw 0 0\n"


def array(*names: str, bears: int = 1, parity: int = 0, stake: AtStake = AtStake.POOL) -> (
    DeclaredPool
):  # fmt: skip
    names = names or NAMES
    return DeclaredPool(
        name="shelf",
        members=tuple(
            DeclaredMember(name=name, role=Role.PARITY if i < parity else Role.DATA)
            for i, name in enumerate(names)
        ),
        bears=bears,
        at_stake=stake,
    )


def judged(
    pool: DeclaredPool,
    *,
    present: tuple[str, ...] = NAMES,
    unseen: tuple[str, ...] = (),
    failing: tuple[str, ...] = (),
) -> Pool:
    seen = DrivesSeen(
        present=frozenset(map(DriveId, present)),
        unseen=frozenset(map(DriveId, unseen)),
        failing=frozenset(map(DriveId, failing)),
    )
    host = RecordedHost()
    (told,) = declared.read(
        host, HandBlocks(), observed_at=NOW, declared=(pool,), drives=seen
    ).pools
    return told


def state(pool: Pool) -> tuple[Protection, int | None, int | None]:
    return (pool.protection, pool.margin, pool.full_margin)


@pytest.mark.parametrize(
    ("bears", "lost", "expected"),
    [
        (0, 0, (BARE, 0, 0)), (0, 1, (BROKEN, 0, 0)),
        (1, 0, (WHOLE, 1, 1)), (1, 1, (BARE, 0, 1)), (1, 2, (BROKEN, 0, 1)),
        (2, 0, (WHOLE, 2, 2)), (2, 1, (THINNED, 1, 2)), (2, 2, (BARE, 0, 2)),
        (2, 3, (BROKEN, 0, 2)),
    ],
)  # fmt: skip
def test_the_margin_is_what_it_bears_less_what_is_gone(
    bears: int, lost: int, expected: tuple[Protection, int, int]
) -> None:
    pool = judged(array(bears=bears), present=NAMES[lost:])
    assert state(pool) == expected
    assert (pool.pool, pool.kind, pool.name) == (
        PoolId("declared:shelf"), PoolKind.DECLARED, "shelf",
    )  # fmt: skip


def test_a_drive_that_did_not_answer_is_neither_lost_nor_fine() -> None:
    assert judged(array(), unseen=("one",)).protection is UNKNOWN
    assert state(judged(array(), present=NAMES[2:], unseen=("two",))) == (UNKNOWN, None, 1)
    assert judged(array(), present=NAMES[2:]).protection is BROKEN


def test_a_failing_drive_still_holds_its_share_and_is_told() -> None:
    pool = judged(array(), failing=("two",))
    assert state(pool) == (WHOLE, 1, 1)
    note = pool.noted(Remark.MEMBER_ERRS)
    assert note is not None
    assert note.member == "two"


def test_it_always_says_that_only_this_much_is_known() -> None:
    assert judged(array()).noted(Remark.FEW_CHECKS) is not None


def test_nothing_known_of_the_drives_is_unknown() -> None:
    seen = declared.read(RecordedHost(), HandBlocks(), observed_at=NOW, declared=(array(),))
    assert [pool.protection for pool in seen.pools] == [UNKNOWN]


def test_no_declared_pools_are_none() -> None:
    assert declared.read(RecordedHost(), HandBlocks(), observed_at=NOW).pools == ()


def test_members_can_be_named_by_serial_mount_point_and_node() -> None:
    pool = array("S1", "/mnt/one", "/mnt/my two", "/dev/sdc")
    seen = DrivesSeen(
        present=frozenset(DriveId(f"drive-sd{x}") for x in "abc") | {DriveId("wwn-1")},
        serials=(("S1", DriveId("wwn-1")),),
    )
    host = RecordedHost(files={"/proc/self/mounts": MOUNTS})
    (told,) = declared.read(
        host, HandBlocks(), observed_at=NOW, declared=(pool,), drives=seen
    ).pools
    assert state(told) == (WHOLE, 1, 1)
    assert [m.drives for m in told.members] == [
        ("wwn-1",), ("drive-sda",), ("drive-sdb",), ("drive-sdc",),
    ]  # fmt: skip
    assert told.members[1].node == "/dev/sda"


def test_a_folder_that_is_not_mounted_and_a_node_that_is_gone_are_lost() -> None:
    pool = array("/mnt/gone", "/dev/sdx", "S1", bears=2)
    seen = DrivesSeen(present=frozenset({DriveId("S1")}))
    host = RecordedHost(files={"/proc/self/mounts": MOUNTS})
    blocks = HandBlocks(gone=frozenset({"sdx"}))
    (told,) = declared.read(host, blocks, observed_at=NOW, declared=(pool,), drives=seen).pools
    assert [m.state for m in told.members] == [
        MemberState.MISSING, MemberState.MISSING, MemberState.GOOD,
    ]  # fmt: skip
    assert told.protection is BARE


def test_mounts_that_cannot_be_read_prove_nothing() -> None:
    pool = array("/mnt/one", "S1")
    seen = DrivesSeen(present=frozenset({DriveId("S1")}))
    (told,) = declared.read(
        RecordedHost(), HandBlocks(), observed_at=NOW, declared=(pool,), drives=seen
    ).pools
    assert told.protection is UNKNOWN


def test_two_members_on_one_drive_are_one_loss() -> None:
    pool = array("/dev/sda1", "/dev/sda2", "/dev/sdb1")
    blocks = HandBlocks(below={"sda1": ("a",), "sda2": ("a",), "sdb1": ("b",)})
    seen = DrivesSeen(present=frozenset({DriveId("a"), DriveId("b")}))
    (told,) = declared.read(
        RecordedHost(), blocks, observed_at=NOW, declared=(pool,), drives=seen
    ).pools
    assert (told.protection, told.margin) == (BARE, 0)


def test_what_is_at_stake_is_the_owners_word() -> None:
    assert judged(array(stake=AtStake.MEMBER)).at_stake is AtStake.MEMBER


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: array(bears=4), "cannot bear"),
        (lambda: array(bears=-1), "cannot bear"),
        (lambda: array("one", "one"), "named twice"),
        (lambda: array(bears=2, parity=1), "1 parity members cannot bear"),
        (lambda: DeclaredPool(name=" ", members=(), bears=0), "needs a name"),
        (lambda: DeclaredMember(name=" "), "needs a name"),
        (lambda: DeclaredMember(name="one", role=Role.CACHE), "holds data or parity"),
    ],
)
def test_a_declaration_that_cannot_be_is_refused_with_a_sentence(
    make: object, sentence: str
) -> None:
    with pytest.raises(ValueError, match=sentence):
        make()  # type: ignore[operator] - each case is a function


@given(st.sets(st.sampled_from(NAMES)), st.sets(st.sampled_from(NAMES)), st.integers(0, 3))
def test_fewer_drives_seen_never_look_better(seen: set[str], less: set[str], bears: int) -> None:
    order = {BROKEN: 0, BARE: 1, THINNED: 2, WHOLE: 3}
    many = judged(array(bears=bears), present=tuple(seen | less))
    few = judged(array(bears=bears), present=tuple(seen))
    assert order[few.protection] <= order[many.protection]


def test_the_order_of_members_does_not_matter() -> None:
    states = {
        state(judged(array(*order, bears=2), present=("one", "three"), unseen=("four",)))
        for order in permutations(NAMES)
    }
    assert len(states) == 1
