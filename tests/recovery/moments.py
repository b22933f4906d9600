"""Moments of the scenarios, played up to them, with the advice that is given there."""

from __future__ import annotations

from datetime import timedelta

from tests.recovery.world import SCENARIOS, Followed, Scenario, World
from watcher.facts.pool import (
    MemberState,
    PoolKind,
)
from watcher.recovery.advice import Advice, advise
from watcher.recovery.record import Recovery

MOMENTS = {
    "make sure": ("06-the-old-drive-comes-back", 2),
    "get a drive": ("01-the-plain-way", 3),
    "prove it": ("01-the-plain-way", 5),
    "swap": ("01-the-plain-way", 6),
    "rebuild": ("01-the-plain-way", 8),
    "verify": ("01-the-plain-way", 10),
    "whole again": ("01-the-plain-way", 12),
    "the replacement died": ("03-the-replacement-dies-too", 5),
    "a second loss": ("04-a-second-drive-fails-mid-rebuild", 4),
    "unreadable": ("05-unreadable-sectors-during-the-rebuild", 4),
    "the old drive is back": ("06-the-old-drive-comes-back", 5),
    "the wrong drive was pulled": ("07-the-wrong-drive-is-pulled", 5),
    "parity is lost": ("08-the-parity-drive-is-lost", 2),
    "beyond the margin": ("09-beyond-the-margin", 3),
    "left-over profiles": ("11-left-over-profiles", 5),
    "ahead of failure": ("13-ahead-of-failure", 2),
    "the check differs": ("16-a-check-that-differs", 5),
}
"""Moments of the scenarios: which one, and after how many looks."""


def moment(name: str) -> tuple[Recovery, Advice, World]:
    """Play a scenario up to a look, and ask for advice there."""
    stem, looks = MOMENTS[name]
    scenario = Scenario()
    seen = 0
    for line in (SCENARIOS / f"{stem}.txt").read_text(encoding="utf-8").splitlines():
        if line.startswith((">", "#")):
            continue
        if line == "look":
            seen += 1
            scenario.followed.look()
            if seen == looks:
                break
        else:
            scenario.act(line.split())
    recovery = scenario.followed.recovery
    assert recovery is not None
    assert seen == looks
    world = scenario.followed.world
    return recovery, advise(recovery, world.seen()), world


def bare(kind: PoolKind = PoolKind.MD) -> tuple[Recovery, World]:
    made = Followed(World.of("a", "b", "c", bears=1, kind=kind))
    made.look()
    made.world.now += timedelta(hours=1)
    made.world.set("b", MemberState.FAILED)
    made.look()
    assert made.recovery is not None
    return made.recovery, made.world
