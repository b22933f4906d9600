"""What is special to this stack, beside the texts in tests/recovery/commands."""

from __future__ import annotations

from dataclasses import replace

from tests.recovery.test_commands import GROUNDS
from watcher.facts.pool import Remark, Role
from watcher.recovery.ground import Ground
from watcher.recovery.record import Step
from watcher.recovery.stack_parity import commands

GROUND = GROUNDS["parity"]


def lines(ground: Ground) -> list[str]:
    return [command.line for command in commands(ground)]


def test_while_a_disk_is_lost_no_sync_is_shown() -> None:
    for step in (Step.MAKE_SURE, Step.GET_DRIVE, Step.PROVE, Step.SWAP, Step.REBUILD):
        ground = replace(GROUND, step=step, remarks=frozenset({Remark.UNSYNCED}))
        assert not any(line.startswith("snapraid sync") for line in lines(ground)), step


def test_the_sync_comes_after_the_files_are_back_and_checked() -> None:
    found = lines(replace(GROUND, step=Step.VERIFY, remarks=frozenset({Remark.UNSYNCED})))
    assert found.index("snapraid check -d d2 -a") < found.index("snapraid sync")


def test_a_lost_parity_disk_is_filled_by_its_own_name() -> None:
    ground = replace(GROUND, step=Step.SWAP, role=Role.PARITY, old_name="parity")
    assert "snapraid -d parity -l fix.log fix" in lines(ground)


def test_the_filesystem_is_made_on_the_new_drive_only() -> None:
    made = next(c for c in commands(replace(GROUND, step=Step.SWAP)) if "mkfs" in c.line)
    assert made.line == f"mkfs.ext4 {GROUND.new}"
    assert "erases" in made.no_way_back


def test_beyond_the_margin_it_only_looks() -> None:
    assert not any(command.writes for command in commands(replace(GROUND, broken=True)))
