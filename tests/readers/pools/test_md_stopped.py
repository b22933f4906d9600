"""Arrays that do not run, told by the signatures of their members."""

from __future__ import annotations

import pytest

from tests.lab.captured import look
from tests.lab.step_host import kept_step
from tests.readers.pools.boxes import NOW, HandBlocks, box, four, line, mdstat, sysfs
from watcher.facts.pool import MemberState, Pool, Protection, Remark
from watcher.readers.pools import md
from watcher.readers.pools.md_stopped import Carrier
from watcher.readers.pools.shape import PoolsRead

UUID = "ce391fe7-343f-770f-00b6-873b4fac137a"
POOL = "md:ce391fe7:343f770f:00b6873b:4fac137a"
RUNNING = mdstat(line("sdd[4] sdc[2] sdb[1] sda[0]", "UUUU"))


def carriers(*names: str, uuid: str = UUID, in_use: bool = False) -> tuple[Carrier, ...]:
    return tuple(Carrier(name=n, uuid=uuid, label="lab:tank", in_use=in_use) for n in names)


def read(
    text: str, *members: Carrier, previous: tuple[Pool, ...] = (), running: bool = False
) -> PoolsRead:
    host = box(text, sysfs(four()) if running else None)
    return md.read(host, HandBlocks(), observed_at=NOW, carriers=members, previous=previous)


def test_members_without_their_array_are_a_pool_that_cannot_be_reached() -> None:
    found = read(mdstat(), *carriers("sdd", "sdc"))
    (pool,) = found.pools
    assert (pool.pool, pool.name, pool.protection) == (POOL, "lab:tank", Protection.BROKEN)
    assert [m.name for m in pool.members] == ["sdc", "sdd"]
    note = pool.noted(Remark.INACTIVE)
    assert note is not None
    assert "sdc, sdd belong to it" in note.text
    assert found.answered == ("md",)


def test_a_single_leftover_is_not_called_a_broken_pool() -> None:
    (pool,) = read(mdstat(), *carriers("sdc")).pools
    assert (pool.protection, pool.margin) == (Protection.UNKNOWN, None)


@pytest.mark.parametrize(
    "members",
    [
        carriers("sdc", "sdd", in_use=True),
        carriers("sdc", "sdd", uuid=""),
        carriers("sdc", "sdd", uuid="nonsense"),
        (),
    ],
)
def test_members_in_use_or_without_identity_are_no_stopped_array(
    members: tuple[Carrier, ...],
) -> None:
    assert read(mdstat(), *members).pools == ()


def test_a_member_taken_out_of_a_running_array_is_no_second_array() -> None:
    found = read(RUNNING, *carriers("sde"), running=True)
    assert [pool.name for pool in found.pools] == ["md0"]


def test_members_of_an_array_without_identity_are_not_told_twice() -> None:
    found = md.read(
        box(RUNNING), HandBlocks(), observed_at=NOW, carriers=carriers("sda", "sdb", "sdc", "sdd")
    )
    assert [pool.pool for pool in found.pools] == [POOL]
    mixed = (*carriers("sda"), *carriers("sdb", "sdc", uuid="0123456789abcdef" * 2))
    found = md.read(box(RUNNING), HandBlocks(), observed_at=NOW, carriers=mixed)
    assert [pool.pool for pool in found.pools] == ["md:md0"]


def test_an_array_that_was_known_keeps_its_shape_when_it_stops() -> None:
    before = read(RUNNING, running=True).pools
    (pool,) = read(mdstat(), *carriers("sdc"), previous=before).pools
    assert (pool.name, pool.layout, pool.node) == ("md0", "raid5", "/dev/md0")
    assert (pool.protection, pool.margin, pool.full_margin) == (Protection.BROKEN, 0, 1)
    states = {m.name: m.state for m in pool.members}
    assert states == {
        "sda": MemberState.MISSING,
        "sdb": MemberState.MISSING,
        "sdc": MemberState.UNKNOWN,
        "sdd": MemberState.MISSING,
    }
    assert pool.drives == before[0].drives


def test_a_stopped_array_among_the_recorded_steps_is_found() -> None:
    """md1 was stopped in that step, both members in place."""
    pools = {
        pool["name"]: pool for pool in look(kept_step("md_raid1_raid6", "16-inactive"))["pools"]
    }
    assert pools["lab:1"]["protection"] == "broken"
    assert [m["name"] for m in pools["lab:1"]["members"]] == ["sda", "sdb"]


def test_an_inactive_array_that_was_known_keeps_its_shape() -> None:
    before = read(RUNNING, running=True).pools
    text = mdstat("md0 : inactive sdd[4](S) sdc[2](S)\n      327680 blocks super 1.2\n       ")
    (pool,) = read(text, *carriers("sdc", "sdd"), previous=before).pools
    assert (pool.layout, pool.full_margin, pool.protection) == ("raid5", 1, Protection.BROKEN)
