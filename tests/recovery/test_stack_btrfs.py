"""What is special to this stack, beside the texts in tests/recovery/commands."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.recovery.test_commands import GROUNDS
from watcher.facts.pool import Remark
from watcher.recovery.ground import Ground
from watcher.recovery.record import Step
from watcher.recovery.stack_btrfs import commands, profiles_of

GROUND = GROUNDS["btrfs"]


def lines(ground: Ground) -> list[str]:
    return [command.line for command in commands(ground)]


@pytest.mark.parametrize(
    ("layout", "profiles"),
    [
        ("raid1", ("raid1", "raid1")),
        ("raid5, metadata raid1c3", ("raid5", "raid1c3")),
        ("single, metadata dup", ("single", "dup")),
        ("unknown", ("PROFILE", "PROFILE")),
        ("", ("PROFILE", "PROFILE")),
    ],
)
def test_the_profiles_come_from_the_layout_and_are_never_guessed(
    layout: str, profiles: tuple[str, str]
) -> None:
    assert profiles_of(layout) == profiles


def test_a_convert_balance_is_shown_only_when_profiles_are_left_over() -> None:
    plain = replace(GROUND, step=Step.REBUILD)
    assert not any("balance" in line for line in lines(plain))
    mixed = replace(plain, remarks=frozenset({Remark.MIXED_PROFILES}))
    assert any("-dconvert=raid5,soft -mconvert=raid1c3,soft" in line for line in lines(mixed))


def test_an_unmounted_one_is_mounted_degraded_first() -> None:
    ground = replace(GROUND, step=Step.SWAP, node="/MOUNT-POINT")
    assert lines(ground)[0].startswith("mount -o degraded")


def test_a_devid_that_is_not_known_is_not_guessed() -> None:
    ground = replace(GROUND, step=Step.SWAP, old_name="unlisted 0")
    assert any(" DEVID " in line for line in lines(ground))


def test_beyond_the_margin_it_only_looks() -> None:
    assert not any(command.writes for command in commands(replace(GROUND, broken=True)))
