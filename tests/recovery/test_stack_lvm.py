"""What is special to this stack, beside the texts in tests/recovery/commands."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.recovery.test_commands import GROUNDS
from watcher.facts.pool import Remark
from watcher.recovery.ground import Ground
from watcher.recovery.record import Step
from watcher.recovery.stack_lvm import commands

GROUND = GROUNDS["lvm"]


def lines(ground: Ground) -> list[str]:
    return [command.line for command in commands(ground)]


def test_the_group_is_that_of_the_volume() -> None:
    assert f"vgextend vg0 {GROUND.new}" in lines(replace(GROUND, step=Step.SWAP))


def test_a_member_that_needs_a_refresh_is_refreshed_and_not_replaced() -> None:
    ground = replace(GROUND, step=Step.MAKE_SURE, remarks=frozenset({Remark.REFRESH_NEEDED}))
    assert "lvchange --refresh vg0/mir" in lines(ground)


def test_missing_drives_are_removed_only_when_the_volume_is_filled_and_never_by_force() -> None:
    left = frozenset({Remark.LISTED_MISSING})
    assert not any("vgreduce" in x for x in lines(replace(GROUND, step=Step.SWAP, remarks=left)))
    found = commands(replace(GROUND, step=Step.VERIFY, remarks=left))
    assert found[0].line == "vgreduce --removemissing vg0"
    assert "never with --force" in found[0].does


def test_a_planned_move_says_that_the_margin_is_lower_meanwhile() -> None:
    found = commands(replace(GROUND, step=Step.SWAP, planned=True))
    assert "margin is lower" in found[-1].does


def test_beyond_the_margin_it_only_looks() -> None:
    assert not any(command.writes for command in commands(replace(GROUND, broken=True)))


@pytest.mark.parametrize("layout", ["thin-pool", "linear", "striped"])
def test_what_has_no_redundancy_is_moved_and_never_repaired(layout: str) -> None:
    """lvconvert(8): --replace is for raid; --repair of a thin pool is about its metadata."""
    plain = replace(GROUND, layout=layout)
    for step in Step:
        assert not any(command.writes for command in commands(replace(plain, step=step)))
    moved = lines(replace(plain, step=Step.SWAP, planned=True))
    assert moved[-2:] == [f"pvmove {GROUND.old} {GROUND.new}", f"vgreduce vg0 {GROUND.old}"]
    assert not any("lvconvert" in line for line in moved)
    verify = lines(replace(plain, step=Step.VERIFY, planned=True))
    assert not any("syncaction" in line for line in verify)
