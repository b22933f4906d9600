"""The chance of loss of a pool that stands whole."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.exposure.pools import NOW, fading_life, life, lives, name, parity, pool
from watcher.exposure.figure import Figure
from watcher.exposure.life import CLUSTERING, DriveClass, Kinship, clustered_hours, hazard
from watcher.exposure.rebuild import Load
from watcher.exposure.redundancy import Repair, chain
from watcher.exposure.standing import life_of, outlook, scrub_age, unread_chances, window_after
from watcher.exposure.window import Spare, WindowPlan
from watcher.facts.identity import DriveId
from watcher.facts.pool import PoolKind

SHELF = WindowPlan(spare=Spare.PROVEN, verify=False, weak_new_drive=Figure.exactly(0.0))


@pytest.mark.parametrize("bears", [1, 2])
def test_agrees_with_the_markov_chain_of_like_drives(bears: int) -> None:
    """Flash on a tiny scale (no unreadable sectors), the clustered mean window as repair time.

    The chain's repair is exponential and parallel; for windows that are short against the lives
    both are the same but for the shape of the window, E[W^k] / k! against E[W]^k.
    """
    drives = lives(6, drive_class=DriveClass.NVME, capacity_bytes=10**9)
    whole = pool(parity(6, bears), used_bytes=1, kind=PoolKind.ZFS)
    found = outlook(whole, drives, SHELF, NOW, scrub_age_hours=1.0)
    rate = hazard(life(0, drive_class=DriveClass.NVME)).likely
    factor = CLUSTERING[Kinship.UNLIKE].likely
    window = window_after(whole, drives, SHELF, NOW, name(0))
    worth = [clustered_hours(hours, 0.0, factor) for hours in window.values]
    moment = sum(hours**bears for hours in worth) / len(worth) / math.factorial(bears)
    mttr = (moment * math.factorial(bears)) ** (1 / bears)
    mttdl = chain(1 / rate, mttr, 6, bears, Repair.PARALLEL)
    ours = found.data_loss.likely
    assert ours * mttdl == pytest.approx(1.0, rel=0.12)


def test_first_losses_add_up() -> None:
    drives = lives(6)
    found = outlook(pool(parity(6, 1)), drives, SHELF, NOW, scrub_age_hours=24.0)
    assert found.first_loss.likely == pytest.approx(6 * hazard(life(0)).likely)
    assert found.bare_hours == pytest.approx(
        window_after(pool(parity(6, 1)), drives, SHELF, NOW, name(0)).mean
    )


def test_like_drives_are_computed_once_and_give_the_same_as_unlike_ones() -> None:
    """Drives that differ by a hair are computed one by one; the answer is the same."""
    like = outlook(pool(parity(5, 1)), lives(5), SHELF, NOW, scrub_age_hours=24.0)
    nearly = {
        name(n): life(n, age_hours=20_000.0 + n * 1e-6, risk=Figure.exactly(1 + n * 1e-12))
        for n in range(5)
    }
    unlike = outlook(pool(parity(5, 1)), nearly, SHELF, NOW, scrub_age_hours=24.0)
    assert unlike.data_loss.likely == pytest.approx(like.data_loss.likely, rel=1e-6)


def test_more_time_more_chance() -> None:
    found = outlook(pool(parity(5, 1)), lives(5), SHELF, NOW, scrub_age_hours=24.0)
    assert found.chance_within(0.0).likely == 0.0
    assert found.chance_within(100.0).likely < found.chance_within(200.0).likely
    assert found.chance_within(1e9).high == 1.0


def test_worse_signs_longer_waits_and_older_scrubs_never_help() -> None:
    whole = pool(parity(5, 1))
    base = outlook(whole, lives(5), SHELF, NOW, scrub_age_hours=24.0).data_loss.likely
    worse = {**lives(5), name(2): fading_life(2)}
    slow = replace(SHELF, spare=Spare.NONE)
    busy = replace(SHELF, load=Load(busy_share=0.7))
    assert outlook(whole, worse, SHELF, NOW, scrub_age_hours=24.0).data_loss.likely > base
    assert outlook(whole, lives(5), slow, NOW, scrub_age_hours=24.0).data_loss.likely > base
    assert outlook(whole, lives(5), busy, NOW, scrub_age_hours=24.0).data_loss.likely > base
    assert outlook(whole, lives(5), SHELF, NOW, scrub_age_hours=2400.0).data_loss.likely > base
    assert outlook(whole, lives(5), SHELF, NOW, scrub_age_hours=None).data_loss.likely > base


def test_a_pool_with_no_redundancy_loses_with_its_first_drive() -> None:
    found = outlook(pool(parity(3, 0)), lives(3), SHELF, NOW, scrub_age_hours=24.0)
    assert found.data_loss.likely == pytest.approx(found.first_loss.likely)


def test_only_used_bytes_are_in_the_way_where_only_they_are_read() -> None:
    half = unread_chances(pool(parity(3, 1), kind=PoolKind.ZFS), lives(3), scrub_age_hours=1000.0)
    device = unread_chances(pool(parity(3, 1)), lives(3), scrub_age_hours=1000.0)
    assert half[name(1)].likely == pytest.approx(device[name(1)].likely / 2, rel=0.01)
    left = unread_chances(pool(parity(3, 1)), lives(3), scrub_age_hours=1000.0, left_share=0.25)
    assert left[name(1)].likely == pytest.approx(device[name(1)].likely / 4, rel=0.01)


def test_what_is_not_known() -> None:
    assert life_of({}, DriveId("x")).drive_class is DriveClass.UNKNOWN
    assert scrub_age(pool(parity(3, 1), scrubbed_at=None), NOW) is None
    assert scrub_age(pool(parity(3, 1), scrubbed_at=NOW - timedelta(hours=5)), NOW) == 5.0
    assert unread_chances(pool(None), {}, scrub_age_hours=None) == {}
    with pytest.raises(ValueError, match="structure"):
        outlook(pool(None), {}, SHELF, NOW, scrub_age_hours=None)
