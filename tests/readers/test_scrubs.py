from dataclasses import replace

import pytest

from tests.rules.build import pool
from watcher.facts.pool import Pool, PoolKind
from watcher.readers.host import Ended, Ran
from watcher.readers.recorded import RecordedHost
from watcher.readers.scrubs import CAN_SCRUB, do, refusal_of, start_command, stop_command

MD = replace(pool(), node="/dev/md0")
BTRFS = replace(pool(), kind=PoolKind.BTRFS, node="/mnt/tank")
ZFS = replace(pool(), kind=PoolKind.ZFS, name="tank")
LVM = replace(pool(), kind=PoolKind.LVM, node="/dev/vg/tank")


@pytest.mark.parametrize(
    ("seen", "start", "stop"),
    [
        (MD, "mdadm --action=check /dev/md0", "mdadm --action=idle /dev/md0"),
        (ZFS, "zpool scrub tank", "zpool scrub -p tank"),
        (BTRFS, "btrfs scrub start /mnt/tank", "btrfs scrub cancel /mnt/tank"),
        (LVM, "lvchange --syncaction check /dev/vg/tank", None),
    ],
)
def test_each_stack_has_its_own_words(seen: Pool, start: str, stop: str | None) -> None:
    assert " ".join(start_command(seen) or ()) == start
    found = stop_command(seen)
    assert (" ".join(found) if found else None) == stop
    assert seen.kind in CAN_SCRUB


def test_a_pool_without_a_place_or_a_way_is_not_scrubbed() -> None:
    assert start_command(replace(MD, node=None)) is None
    assert start_command(replace(BTRFS, node="/dev/sda")) is None  # not mounted
    assert stop_command(replace(BTRFS, node="/dev/sda")) is None
    declared = replace(MD, kind=PoolKind.DECLARED)
    assert start_command(declared) is None
    assert declared.kind not in CAN_SCRUB


def test_what_came_of_it_is_said() -> None:
    command = start_command(MD)
    assert command is not None
    assert do(RecordedHost(programs={command: (0, "", "")}), command, "x") == ""
    assert do(RecordedHost(programs={command: (1, "", "mdadm: busy")}), command, "x") == (
        "mdadm: busy"
    )
    assert do(RecordedHost(), None, "x") == "there is no command for this kind of pool"
    assert "not installed" in do(RecordedHost(), command, "x")
    assert "timed-out" in refusal_of(Ran(argv=command, ended=Ended.TIMED_OUT))
