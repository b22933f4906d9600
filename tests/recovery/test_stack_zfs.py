"""What is special to this stack, beside the texts in tests/recovery/commands."""

from __future__ import annotations

from dataclasses import replace

from tests.recovery.test_commands import GROUNDS
from watcher.facts.pool import Remark
from watcher.recovery.ground import Ground
from watcher.recovery.record import Step
from watcher.recovery.stack_zfs import commands

GROUND = GROUNDS["zfs"]


def lines(ground: Ground) -> list[str]:
    return [command.line for command in commands(ground)]


def test_a_planned_replacement_keeps_the_old_one_in_service() -> None:
    found = lines(replace(GROUND, step=Step.SWAP, planned=True))
    assert found == [f"zpool replace tank {GROUND.old_name} {GROUND.new}"]


def test_a_member_that_is_still_there_is_put_out_before_it_is_pulled() -> None:
    found = lines(replace(GROUND, step=Step.SWAP))
    assert found[0] == f"zpool offline tank {GROUND.old_name}"
    assert not any("offline" in x for x in lines(replace(GROUND, step=Step.SWAP, old_here=False)))


def test_old_errors_are_cleared_before_the_scrub_that_proves() -> None:
    ground = replace(GROUND, step=Step.VERIFY, remarks=frozenset({Remark.MEMBER_ERRS}))
    assert lines(ground)[:2] == ["zpool clear tank", "zpool scrub tank"]


def test_a_hot_spare_in_use_still_needs_its_new_drive() -> None:
    ground = replace(GROUND, step=Step.REBUILD, remarks=frozenset({Remark.SPARE_IN_USE}))
    assert any(line.startswith("zpool replace") for line in lines(ground))


def test_what_was_not_run_by_us_is_marked_as_from_memory() -> None:
    ground = replace(GROUND, step=Step.REBUILD, remarks=frozenset({Remark.SPARE_IN_USE}))
    sources = {c.source for c in commands(ground)}
    assert any("from memory" in source for source in sources)


def test_beyond_the_margin_it_only_looks() -> None:
    assert not any(command.writes for command in commands(replace(GROUND, broken=True)))
