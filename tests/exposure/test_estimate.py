"""The whole answer for one pool."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.exposure.pools import NOW, TB, fading_life, lives, name, parity, pool, ring, working
from watcher.exposure.estimate import Exposure, estimate, if_lost
from watcher.exposure.figure import Figure
from watcher.exposure.forecast import Pace, Progress
from watcher.exposure.life import DriveLife, Recording
from watcher.exposure.loss import BOUNDED
from watcher.exposure.window import Spare, Step, WindowPlan
from watcher.facts.identity import DriveId
from watcher.facts.pool import (
    AtStake,
    Member,
    MemberState,
    Noted,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
    WorkKind,
    WorkState,
    members_of,
)

SHELF = WindowPlan(spare=Spare.PROVEN, zone=ZoneInfo("Europe/Vienna"))
BARE = pool(parity(6, 1, (2,)))


def chance(found: Exposure) -> Figure:
    assert found.chance is not None
    return found.chance


def hours(found: Exposure) -> float:
    assert found.hours_bare is not None
    return found.hours_bare


def test_a_bare_pool_has_window_chance_and_choices() -> None:
    found = estimate(BARE, lives(6), SHELF, NOW)
    assert found.is_open
    assert not found.rehearsal
    assert found.protection is Protection.BARE
    assert found.window is not None
    assert NOW < found.window.earliest < found.window.likely < found.window.latest
    assert 0 < chance(found).low < chance(found).likely < chance(found).high < 1
    assert found.ranking.best is not None
    assert found.bytes_at_stake == 20 * TB
    assert found.sentence.startswith("Full margin is proven back about Wed 05 Mar")
    assert "everything in the pool (20 TB)" in found.cost
    assert "not known" in found.cost


def test_a_whole_pool_has_no_window_and_is_not_called_safe() -> None:
    found = estimate(pool(parity(6, 1)), lives(6), SHELF, NOW)
    assert not found.is_open
    assert found.chance is None
    assert found.hours_bare is None
    assert "safe" not in found.sentence
    assert found.ranking.choices == ()


def test_a_whole_pool_with_a_fading_drive_has_choices() -> None:
    drives = {**lives(6), name(3): fading_life(3)}
    found = estimate(pool(parity(6, 1)), drives, SHELF, NOW, label={name(3): "bay 3"})
    assert found.ranking.best is not None
    assert "bay 3" in found.ranking.best.title


def test_a_rehearsal_gives_what_the_real_loss_would() -> None:
    paper = if_lost(pool(parity(6, 1)), name(2), lives(6), SHELF, NOW)
    real = estimate(BARE, lives(6), SHELF, NOW)
    assert paper.rehearsal
    assert replace(paper, rehearsal=False) == real


def test_a_rehearsal_needs_a_drive_of_the_pool() -> None:
    with pytest.raises(ValueError, match="does not rest on"):
        if_lost(pool(parity(6, 1)), DriveId("elsewhere"), lives(6), SHELF, NOW)
    with pytest.raises(ValueError, match="does not rest on"):
        if_lost(pool(None), name(1), lives(6), SHELF, NOW)


def test_a_pool_that_cannot_be_seen_is_never_called_fine() -> None:
    unseen = estimate(pool(None), lives(6), SHELF, NOW)
    assert unseen.protection is Protection.UNKNOWN
    assert unseen.chance is None
    assert "cannot be told" in unseen.sentence
    assert any("could not be read" in note for note in unseen.notes)


def test_a_broken_pool_has_nothing_to_forecast() -> None:
    found = estimate(pool(parity(6, 1, (1, 2))), lives(6), SHELF, NOW)
    assert found.protection is Protection.BROKEN
    assert not found.is_open
    assert "lost data" in found.sentence


def test_a_pool_built_with_no_redundancy_gets_no_window() -> None:
    found = estimate(pool(parity(3, 0)), lives(3), SHELF, NOW)
    assert not found.is_open
    assert any("no redundancy" in note for note in found.notes)


def with_unknown(count: int) -> Pool:
    parts = tuple(
        Member(
            name=f"m{n}",
            state=MemberState.UNKNOWN if n < count else MemberState.GOOD,
            drives=(name(n),),
            capacity_bytes=8 * TB,
        )
        for n in range(5)
    )
    return pool(RedundancySet(name="parity", bears=1, parts=parts))


def test_unknown_members_count_as_lost_and_that_is_said() -> None:
    one = estimate(with_unknown(1), lives(5), SHELF, NOW)
    assert chance(one) == chance(estimate(pool(parity(5, 1, (0,))), lives(5), SHELF, NOW))
    assert any("counted as lost" in note for note in one.notes)
    two = estimate(with_unknown(2), lives(5), SHELF, NOW)
    assert two.chance is None
    assert any("lost already" in note for note in two.notes)


def test_what_is_not_known_about_drives_never_makes_it_look_better() -> None:
    known = estimate(BARE, lives(6), SHELF, NOW)
    unknown = estimate(BARE, {}, SHELF, NOW)
    assert chance(unknown).likely >= chance(known).likely
    assert chance(unknown).high >= chance(known).high
    assert any("gave no reading" in note for note in unknown.notes)
    never = estimate(replace(BARE, scrubbed_at=None), lives(6), SHELF, NOW)
    assert chance(never).likely >= chance(known).likely
    assert any("scrub" in note for note in never.notes)


def test_an_unknown_size_is_said_and_widens_the_window() -> None:
    parts = tuple(replace(m, capacity_bytes=None) for m in parity(6, 1, (2,)).parts)  # type: ignore[type-var]
    tree = RedundancySet(name="parity", bears=1, parts=parts)  # type: ignore[arg-type]
    found = estimate(pool(tree), lives(6, capacity_bytes=None), SHELF, NOW)
    assert any("size of the lost member" in note for note in found.notes)
    assert found.window is not None
    known = estimate(BARE, lives(6), SHELF, NOW).window
    assert known is not None
    assert found.window.latest > known.latest


def rebuilding(done: float, state: WorkState = WorkState.RUNNING) -> Pool:
    work = working(kind=WorkKind.REBUILD, state=state, done_fraction=done)
    return pool(parity(6, 1, (2,)), work=work)


def looks(done: float, per_hour: float) -> list[Progress]:
    steps = int(done / per_hour * 12)
    return [
        Progress(at=NOW - timedelta(minutes=5 * n), done=max(0.0, done - n * per_hour / 12))
        for n in range(steps, -1, -1)
    ]


def test_a_running_rebuild_is_forecast_from_its_own_progress() -> None:
    found = estimate(rebuilding(0.4), lives(6), SHELF, NOW, progress=looks(0.4, 0.05))
    assert found.live is not None
    assert found.live.pace is Pace.STEADY
    assert found.window is not None
    assert [part.step for part in found.window.parts] == [Step.REBUILD, Step.VERIFY]
    assert hours(found) == pytest.approx(found.live.left.mean)
    assert hours(found) > 0.6 / 0.05  # slower tracks are ahead


def test_a_rebuild_that_has_just_begun_has_a_window_too() -> None:
    begun = estimate(rebuilding(0.0), lives(6), SHELF, NOW)
    half = estimate(rebuilding(0.5), lives(6), SHELF, NOW)
    assert begun.live is None
    assert 0.5 * hours(begun) < hours(half) < 0.7 * hours(begun)


def test_a_halted_or_stalled_rebuild_is_said() -> None:
    halted = estimate(rebuilding(0.3, WorkState.PAUSED), lives(6), SHELF, NOW)
    assert halted.is_open
    assert any("halted" in note for note in halted.notes)
    seen = looks(0.3, 0.05)
    still = [replace(one, at=one.at - timedelta(hours=3)) for one in seen]
    stalled = estimate(rebuilding(0.3), lives(6), SHELF, NOW, progress=still)
    assert any("does not move" in note for note in stalled.notes)


def test_progress_leaves_less_to_be_unreadable() -> None:
    found = [estimate(rebuilding(done), lives(6), SHELF, NOW).loss for done in (0.0, 0.3, 0.6, 0.9)]
    files = [loss.some_files.likely for loss in found if loss is not None]
    assert len(files) == 4
    assert files == sorted(files, reverse=True)


def test_only_the_lost_drives_content_is_at_stake_where_disks_stand_alone() -> None:
    plan = replace(SHELF, without_backup_bytes=10 * TB)
    alone = pool(parity(6, 1, (2,)), at_stake=AtStake.MEMBER)
    found = estimate(alone, lives(6), plan, NOW)
    assert found.at_stake is AtStake.MEMBER
    assert found.bytes_at_stake == round(20 * TB * 2 / 6)
    assert found.bytes_without_backup == pytest.approx(10 * TB * 2 / 6)
    assert "what sits on the lost drives" in found.cost


def test_what_has_no_backup_is_said() -> None:
    some = estimate(BARE, lives(6), replace(SHELF, without_backup_bytes=3 * TB), NOW)
    none = estimate(BARE, lives(6), replace(SHELF, without_backup_bytes=0), NOW)
    assert "3 TB have no backup" in some.cost
    assert "all of it has a backup" in none.cost
    much = estimate(BARE, lives(6), replace(SHELF, without_backup_bytes=90 * TB), NOW)
    assert much.bytes_without_backup == 20 * TB


def test_a_remark_that_caps_the_margin_counts() -> None:
    """All members good, but part of the data has a single copy."""
    single = Noted(remark=Remark.MIXED_PROFILES, text="Some data.", at_most=Protection.BARE)
    capped = pool(parity(4, 1), notes=(single,))
    found = estimate(capped, lives(4), SHELF, NOW)
    assert capped.protection is Protection.BARE
    assert found.is_open
    assert (
        chance(found).likely
        > chance(estimate(pool(parity(4, 2, (0,))), lives(4), SHELF, NOW)).likely
    )


def test_time_since_the_loss_calms_the_clustering() -> None:
    fresh = estimate(BARE, lives(6), SHELF, NOW)
    later = estimate(BARE, lives(6), SHELF, NOW, lost_at=NOW - timedelta(days=30))
    assert chance(later).likely < chance(fresh).likely


def test_a_shingled_replacement_is_said_and_takes_longer() -> None:
    spare = DriveLife(drive=DriveId("new"), capacity_bytes=8 * TB, recording=Recording.SHINGLED)
    found = estimate(BARE, lives(6), replace(SHELF, new_drive=spare), NOW)
    assert any("shingled" in note for note in found.notes)
    assert hours(found) > 2 * hours(estimate(BARE, lives(6), SHELF, NOW))


def test_two_lost_members_are_said() -> None:
    found = estimate(pool(parity(6, 2, (1, 2))), lives(6), SHELF, NOW)
    assert found.is_open
    assert any("More than one member" in note for note in found.notes)


def test_a_lost_member_that_two_mirrors_share_is_one() -> None:
    found = estimate(pool(ring(6, 1)), lives(6), SHELF, NOW)
    assert found.is_open
    assert not any("More than one member" in note for note in found.notes)


@pytest.mark.parametrize(("count", "copies", "bounded"), [(6, 2, False), (24, 6, True)])
def test_a_chance_that_is_a_bound_is_noted(count: int, copies: int, bounded: bool) -> None:
    found = estimate(pool(ring(count, 1, copies=copies)), lives(count), SHELF, NOW)
    assert (BOUNDED in found.notes) is bounded


@settings(max_examples=25, deadline=None)
@given(st.integers(4, 10), st.integers(1, 2), st.floats(1, 50), st.integers(0, 20), st.booleans())
def test_bounds(count: int, bears: int, risk: float, pending: int, waits: bool) -> None:
    """Worse signs, pending sectors, less margin and longer waits never lower the chance."""
    tree = parity(count, bears, tuple(range(bears)))
    base = chance(estimate(pool(tree), lives(count), SHELF, NOW)).likely
    worse = lives(count)
    worse[name(count - 1)] = replace(
        worse[name(count - 1)], risk=Figure.exactly(risk), pending_sectors=pending
    )
    plan = replace(SHELF, spare=Spare.NONE) if waits else SHELF
    assert chance(estimate(pool(tree), worse, plan, NOW)).likely >= base * (1 - 1e-9)
    if bears > 1:
        more = parity(count, bears, tuple(range(bears - 1)))
        assert chance(estimate(pool(more), lives(count), SHELF, NOW)).likely <= base


def test_the_same_question_gets_the_same_answer() -> None:
    assert estimate(BARE, lives(6), SHELF, NOW) == estimate(BARE, lives(6), SHELF, NOW)


def test_a_replacement_that_fills_beside_the_old_drive_is_forecast_too() -> None:
    whole = pool(parity(6, 1), work=working(kind=WorkKind.REBUILD, done_fraction=0.4))
    found = estimate(whole, lives(6), SHELF, NOW, progress=looks(0.4, 0.05))
    assert not found.is_open
    assert found.live is not None
    assert found.live.done == pytest.approx(0.4)


def test_without_a_size_the_stake_is_not_guessed() -> None:
    found = estimate(
        replace(BARE, used_bytes=None, capacity_bytes=None),
        lives(6),
        replace(SHELF, without_backup_bytes=1 * TB),
        NOW,
    )
    assert found.bytes_at_stake is None
    assert found.bytes_without_backup == 1 * TB
    assert "size unknown" in found.cost
    assert found.ranking.best is not None


def test_what_costs_single_files_is_told_apart_from_what_costs_all() -> None:
    """RAID5 never scrubbed: in one of five rebuilds a place cannot be read, in one of 750 a second
    drive is lost. An independent figure for the latter: 3 drives x 1.68% a year x 135 h, times 1.7
    for the week after a first failure."""
    never = pool(parity(4, 1, (3,)), scrubbed_at=None)
    found = estimate(never, lives(4), WindowPlan(), NOW)
    assert found.loss is not None
    assert found.loss.any_data.likely > 0.1
    assert found.chance_beyond == pytest.approx(3 * 0.0168 * 135 / 8760 * 1.7, rel=0.1)
    assert found.sentence.endswith("of losing all of it 1 in 750.")
    clean = pool(parity(4, 1, (3,)), scrubbed_at=NOW)
    alone = estimate(clean, lives(4), WindowPlan(), NOW)  # everything was read just now
    assert alone.chance_beyond is None
    assert "of losing all of it" not in alone.sentence


@pytest.mark.parametrize("lost", [(), (2,)])
@pytest.mark.parametrize("spare", [Spare.NONE, Spare.PROVEN])
def test_sizes_that_were_misread_give_an_answer_and_no_crash(
    lost: tuple[int, ...], spare: Spare
) -> None:
    """A size of 2**62 bytes takes longer to fill than a calendar has years."""
    tree = replace(
        parity(4, 1, lost),
        parts=tuple(replace(m, capacity_bytes=2**62) for m in members_of(parity(4, 1, lost))),
    )
    drives = {**lives(4), name(0): fading_life(0)}
    plan = WindowPlan(spare=spare, without_backup_bytes=2**62)
    new = replace(lives(1)[name(0)], drive=DriveId("new"), recording=Recording.SHINGLED)
    for one in (plan, replace(plan, new_drive=new)):
        found = estimate(pool(tree, kind=PoolKind.ZFS), drives, one, NOW)
        assert found.sentence
        assert found.ranking.reason
        assert found.is_open is bool(lost)
        seen = [Progress(at=NOW - timedelta(hours=1), done=0.0), Progress(at=NOW, done=0.002)]
        busy = pool(tree, kind=PoolKind.ZFS, work=working(kind=WorkKind.REBUILD))
        assert estimate(busy, drives, one, NOW, progress=seen).sentence
