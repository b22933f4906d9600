"""What is special to this stack, beside the texts in tests/recovery/commands."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.recovery.test_commands import GROUNDS
from watcher.facts.pool import Remark
from watcher.recovery.ground import Ground
from watcher.recovery.record import Step
from watcher.recovery.stack_md import commands

GROUND = GROUNDS["md"]


def lines(ground: Ground) -> list[str]:
    return [command.line for command in commands(ground)]


def test_a_member_that_is_gone_is_cleared_without_naming_a_device() -> None:
    ground = replace(GROUND, step=Step.SWAP, old_here=False)
    assert "mdadm /dev/md0 --fail detached --remove detached" in lines(ground)


def test_ahead_of_failure_the_old_one_stays_in_service() -> None:
    found = lines(replace(GROUND, step=Step.SWAP, planned=True))
    assert any("--replace" in line and "--with" in line for line in found)
    assert not any("--fail" in line for line in found)


def test_a_partition_table_is_read_from_a_working_member_and_written_to_the_new_drive() -> None:
    found = lines(replace(GROUND, step=Step.SWAP))
    copy = next(line for line in found if line.startswith("sfdisk -d"))
    assert copy.startswith(f"sfdisk -d {GROUND.good} ")
    assert copy.endswith(f"| sfdisk {GROUND.new}")
    assert found.index(copy) == 0


@pytest.mark.parametrize(("cannot", "offered"), [(False, True), (True, False)])
def test_a_held_rebuild_is_let_go_only_when_it_could_finish(*, cannot: bool, offered: bool) -> None:
    remarks = frozenset({Remark.CANNOT_FINISH} if cannot else set())
    ground = replace(GROUND, step=Step.REBUILD, rebuild_is_held=True, remarks=remarks)
    assert ("mdadm --action=idle /dev/md0" in lines(ground)) is offered


def test_while_a_check_runs_no_second_one_is_begun() -> None:
    verify = replace(GROUND, step=Step.VERIFY)
    assert [line for line in lines(verify) if "--action=check" in line]
    assert not [line for line in lines(replace(verify, checking=True)) if "--action=check" in line]


def test_beyond_the_margin_it_only_looks() -> None:
    assert not any(command.writes for command in commands(replace(GROUND, broken=True)))
