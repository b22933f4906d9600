"""What can be done now, safest first."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.exposure.pools import NOW, TB, fading_life, life, lives, name, parity, pool, working
from watcher.exposure.choices import (
    CLOSE_FACTOR,
    COPY_SLOWS_REBUILD,
    LEAST_SPARED_HOURS,
    NOTICEABLE_BUSY_SHARE,
    SERVING_BUSY_SHARE,
    Choice,
    ChoiceKind,
    OpenWindow,
    Ranking,
    choices_while_open,
    fading,
    rank,
)
from watcher.exposure.estimate import estimate
from watcher.exposure.figure import Figure
from watcher.exposure.loss import Loss
from watcher.exposure.rebuild import Load
from watcher.exposure.span import Span
from watcher.exposure.window import Part, Spare, Step, Window, WindowPlan
from watcher.facts.pool import WorkKind


def choice(kind: ChoiceKind, chance: float, hours: float = 10.0) -> Choice:
    return Choice(
        kind=kind,
        title=kind.value,
        chance=Figure.exactly(chance),
        irreplaceable=None,
        hours_bare=hours,
        through=None,
        costs="",
    )


def ranking(plan: WindowPlan, **changes: object) -> Ranking:
    return estimate(pool(parity(6, 1, (2,)), **changes), lives(6), plan, NOW).ranking


def by_kind(found: Ranking) -> dict[ChoiceKind, Choice]:
    return {one.kind: one for one in found.choices}


def test_the_safest_comes_first_with_its_reason() -> None:
    found = rank(
        [choice(ChoiceKind.BURN_IN_FIRST, 0.01, 40.0), choice(ChoiceKind.REBUILD_AT_ONCE, 0.002)]
    )
    assert found.best is not None
    assert found.best.kind is ChoiceKind.REBUILD_AT_ONCE
    assert not found.too_close
    assert "1 in 500" in found.reason
    assert "1 in 100 for" in found.reason
    assert "30 h" not in found.reason
    assert "1 day 6 h less exposed" in found.reason


def test_too_close_to_call_prefers_what_asks_least() -> None:
    found = rank([choice(ChoiceKind.LIGHTEN_LOAD, 0.010), choice(ChoiceKind.LET_IT_RUN, 0.012)])
    assert found.too_close
    assert found.best is not None
    assert found.best.kind is ChoiceKind.LET_IT_RUN
    assert found.reason.startswith("Too close to call")


def test_nothing_and_one() -> None:
    assert rank([]) == Ranking()
    assert rank([]).best is None
    alone = rank([choice(ChoiceKind.LET_IT_RUN, 0.1)])
    assert not alone.too_close
    assert "only way" in alone.reason


@given(st.lists(st.tuples(st.sampled_from(ChoiceKind), st.floats(0, 1)), min_size=1, max_size=8))
def test_the_first_is_never_far_from_the_safest(some: list[tuple[ChoiceKind, float]]) -> None:
    found = rank([choice(kind, chance) for kind, chance in some])
    assert found.best is not None
    assert found.best.measure <= min(chance for _, chance in some) * CLOSE_FACTOR
    assert sorted(one.measure for one in found.choices) == sorted(chance for _, chance in some)


def test_burn_in_costs_exposure_and_a_weak_drive_costs_it_too() -> None:
    sound = ranking(WindowPlan(spare=Spare.UNPROVEN, weak_new_drive=Figure.exactly(0.0)))
    kinds = by_kind(sound)
    at_once, tested = kinds[ChoiceKind.REBUILD_AT_ONCE], kinds[ChoiceKind.BURN_IN_FIRST]
    assert at_once.hours_bare < tested.hours_bare
    assert at_once.measure < tested.measure
    weak = by_kind(ranking(WindowPlan(spare=Spare.UNPROVEN, weak_new_drive=Figure.exactly(0.9))))
    at_once, tested = weak[ChoiceKind.REBUILD_AT_ONCE], weak[ChoiceKind.BURN_IN_FIRST]
    assert tested.hours_bare < at_once.hours_bare
    assert tested.measure < at_once.measure


@pytest.mark.parametrize("spare", list(Spare))
def test_at_once_is_said_only_where_a_drive_is_here(spare: Spare) -> None:
    found = by_kind(ranking(WindowPlan(spare=spare)))[ChoiceKind.REBUILD_AT_ONCE]
    waits = spare in {Spare.ORDERED, Spare.NONE}
    assert found.title == ("Rebuild as soon as a new drive is here" if waits else "Rebuild at once")


def test_a_proven_spare_needs_no_burn_in_choice() -> None:
    assert ChoiceKind.BURN_IN_FIRST not in by_kind(ranking(WindowPlan(spare=Spare.PROVEN)))


def test_copying_first_protects_what_has_no_copy_and_delays_the_rest() -> None:
    """Just scrubbed, so that a second drive, not an old unreadable sector, is the danger."""
    plan = WindowPlan(spare=Spare.PROVEN, without_backup_bytes=2 * TB, reach_hours=(0, 0, 0))
    found = ranking(plan, scrubbed_at=NOW)
    kinds = by_kind(found)
    copied, at_once = kinds[ChoiceKind.COPY_FIRST], kinds[ChoiceKind.REBUILD_AT_ONCE]
    assert found.best == copied
    assert copied.irreplaceable is not None
    assert at_once.irreplaceable is not None
    assert copied.irreplaceable.likely < at_once.irreplaceable.likely
    assert copied.chance.likely > at_once.chance.likely
    assert copied.hours_bare == pytest.approx(at_once.hours_bare + 2e12 / 1e8 / 3600 * 1.3, rel=0.1)
    assert "later" in copied.costs
    assert "2 TB" in copied.title


def test_copying_while_a_spare_is_on_its_way_costs_no_time() -> None:
    kinds = by_kind(ranking(WindowPlan(spare=Spare.NONE, without_backup_bytes=1 * TB)))
    copied, at_once = kinds[ChoiceKind.COPY_FIRST], kinds[ChoiceKind.REBUILD_AT_ONCE]
    assert copied.hours_bare == pytest.approx(at_once.hours_bare)
    assert copied.costs.startswith("no time is lost")


def test_more_to_copy_is_never_safer() -> None:
    chances = []
    for size in (1, 2, 4, 8, 16):
        plan = WindowPlan(spare=Spare.PROVEN, without_backup_bytes=size * TB)
        copied = by_kind(ranking(plan))[ChoiceKind.COPY_FIRST]
        chances.append(copied.measure)
    assert chances == sorted(chances)


def test_with_everything_backed_up_nothing_is_copied_first() -> None:
    kinds = by_kind(ranking(WindowPlan(spare=Spare.PROVEN, without_backup_bytes=0)))
    assert ChoiceKind.COPY_FIRST not in kinds
    assert all(one.irreplaceable is None for one in kinds.values())


def test_lighter_load_is_safer_and_serving_users_is_not() -> None:
    plan = WindowPlan(spare=Spare.PROVEN, load=Load(busy_share=0.5))
    kinds = by_kind(ranking(plan))
    idle, now = kinds[ChoiceKind.LIGHTEN_LOAD], kinds[ChoiceKind.REBUILD_AT_ONCE]
    busy = kinds[ChoiceKind.SERVE_USERS]
    assert idle.hours_bare < now.hours_bare < busy.hours_bare
    assert idle.measure < now.measure < busy.measure
    quiet = by_kind(ranking(replace(plan, load=Load(busy_share=0.0))))
    assert ChoiceKind.LIGHTEN_LOAD not in quiet


def test_a_second_spare_helps_when_the_first_may_be_weak() -> None:
    plan = WindowPlan(spare=Spare.UNPROVEN, weak_new_drive=Figure.exactly(0.3))
    kinds = by_kind(ranking(plan))
    second, one = kinds[ChoiceKind.SECOND_SPARE], kinds[ChoiceKind.REBUILD_AT_ONCE]
    assert second.hours_bare < one.hours_bare
    assert ChoiceKind.SECOND_SPARE not in by_kind(ranking(replace(plan, second_spare=True)))


def test_while_a_rebuild_runs() -> None:
    plan = WindowPlan(without_backup_bytes=1 * TB, load=Load(busy_share=0.5))
    found = ranking(plan, work=working(kind=WorkKind.REBUILD, done_fraction=0.3))
    kinds = by_kind(found)
    assert set(kinds) == {
        ChoiceKind.LET_IT_RUN,
        ChoiceKind.LIGHTEN_LOAD,
        ChoiceKind.COPY_ALONGSIDE,
    }
    assert kinds[ChoiceKind.LIGHTEN_LOAD].hours_bare < kinds[ChoiceKind.LET_IT_RUN].hours_bare
    assert kinds[ChoiceKind.COPY_ALONGSIDE].hours_bare > kinds[ChoiceKind.LET_IT_RUN].hours_bare
    assert kinds[ChoiceKind.COPY_ALONGSIDE].measure < kinds[ChoiceKind.LET_IT_RUN].measure


def test_fading_drives_are_named_worst_first() -> None:
    drives = {**lives(5), name(1): fading_life(1, 10.0), name(3): fading_life(3, 30.0)}
    assert [one.drive for one in fading(drives, pool(parity(5, 1)))] == [name(3), name(1)]
    elsewhere = {name(9): fading_life(9, 50.0), name(1): life(1)}
    assert fading(elsewhere, pool(parity(5, 1))) == ()


def plain_window(plan: WindowPlan) -> Window:
    """Make a window of plain numbers: 4 h to wait, 20 h of burn-in, 10 h of rebuild when idle."""
    hours = {
        Step.SPARE: 3.0,
        Step.REACH: 1.0,
        Step.BURN_IN: 20.0 if plan.burn_in else 0.0,
        Step.REBUILD: 10.0 / (1.0 - plan.load.busy_share),
    }
    parts = tuple(Part(step=step, span=Span.exactly(h)) for step, h in hours.items() if h)
    bare = Span.exactly(sum(hours.values()))
    return Window(begins=NOW, parts=parts, bare=bare, whole=bare, zone=plan.zone)


def plain_loss(bare: Span) -> Loss:
    """Make a loss of plain numbers: 0.0002 an hour for the pool, 0.001 for some files of it."""
    beyond, files = 0.0002 * bare.mean, 0.001 * bare.mean
    return Loss(
        any_data=Figure.exactly(beyond + files),
        beyond_margin=Figure.exactly(beyond),
        some_files=Figure.exactly(files),
    )


def plainly(plan: WindowPlan, *, running: bool = False, **changes: object) -> Ranking:
    return choices_while_open(
        OpenWindow(
            pool=pool(parity(6, 1, (2,)), **changes),
            plan=plan,
            window_for=plain_window,
            loss_for=plain_loss,
            running=running,
        )
    )


COPY = Span.about(10.0, 12.0, 20.0)  # 3.6 TB at 100 MB/s; 20 TB are held, so 18% have no copy
ALONE = WindowPlan(
    spare=Spare.NONE,
    without_backup_bytes=3_600_000_000_000,
    copy_bytes_per_second=1e8,
    load=Load(busy_share=0.0),
)


def test_what_copying_first_is_worth_by_hand() -> None:
    copied = by_kind(plainly(ALONE))[ChoiceKind.COPY_FIRST]
    later = COPY.mean - 4.0
    assert copied.hours_bare == pytest.approx(14.0 + later)
    assert copied.through is not None
    assert (copied.through - NOW).total_seconds() / 3600 == pytest.approx(14.0 + later, abs=0.02)
    assert copied.chance.likely == pytest.approx(0.0012 * (14.0 + later))
    assert copied.irreplaceable is not None
    assert copied.measure == pytest.approx((0.0002 + 0.18 * 0.001) * COPY.mean)
    assert copied.costs.startswith(f"the rebuild begins about {int(later)} h")


def test_what_copying_alongside_is_worth_by_hand() -> None:
    copied = by_kind(plainly(ALONE, running=True))[ChoiceKind.COPY_ALONGSIDE]
    slower = COPY.mean * COPY_SLOWS_REBUILD
    assert copied.hours_bare == pytest.approx(14.0 + slower)
    assert copied.measure == pytest.approx((0.0002 + 0.18 * 0.001) * COPY.mean)
    assert f"about {int(slower)} h" in copied.costs


@pytest.mark.parametrize(
    ("used", "capacity", "share"),
    [
        (20 * TB, 40 * TB, 0.18),
        (None, 36 * TB, 0.1),
        (None, None, 1.0),  # not known what is held: all of it, the careful side
        (2 * TB, 40 * TB, 1.0),
    ],
)
def test_only_the_share_that_has_no_copy_counts_of_single_files(
    used: int | None, capacity: int | None, share: float
) -> None:
    found = by_kind(plainly(ALONE, used_bytes=used, capacity_bytes=capacity))
    at_once = found[ChoiceKind.REBUILD_AT_ONCE]
    assert at_once.measure == pytest.approx((0.0002 + share * 0.001) * 14.0)
    assert at_once.chance.likely == pytest.approx(0.0012 * 14.0)


def test_what_is_at_stake_is_named_by_what_is_known_of_copies() -> None:
    assert "losing data that has no copy of" in plainly(ALONE).reason
    unknown = plainly(replace(ALONE, without_backup_bytes=None)).reason
    assert "losing data of" in unknown


@pytest.mark.parametrize(
    ("busy", "lighter", "serving"),
    [
        (0.0, False, True),
        (NOTICEABLE_BUSY_SHARE, True, True),
        (SERVING_BUSY_SHARE, True, False),
        (0.8, True, False),
    ],
)
def test_load_is_a_choice_where_it_changes_anything(
    busy: float, *, lighter: bool, serving: bool
) -> None:
    found = by_kind(plainly(replace(ALONE, load=Load(busy_share=busy))))
    assert (ChoiceKind.LIGHTEN_LOAD in found, ChoiceKind.SERVE_USERS in found) == (lighter, serving)
    running = by_kind(plainly(replace(ALONE, load=Load(busy_share=busy)), running=True))
    assert (ChoiceKind.LIGHTEN_LOAD in running) == lighter
    if lighter:
        assert found[ChoiceKind.LIGHTEN_LOAD].costs == "the pool is out of use for about 10 h"
    if serving:
        assert found[ChoiceKind.SERVE_USERS].hours_bare == pytest.approx(
            4.0 + 10.0 / (1.0 - SERVING_BUSY_SHARE)
        )


def test_a_burn_in_says_what_it_costs_and_nothing_where_it_spares() -> None:
    tested = by_kind(plainly(replace(ALONE, burn_in=True)))[ChoiceKind.BURN_IN_FIRST]
    assert tested.costs == "about 20 h more with the margin short; erases the new drive"
    weak = WindowPlan(spare=Spare.UNPROVEN, weak_new_drive=Figure.exactly(0.9))
    assert by_kind(ranking(weak))[ChoiceKind.BURN_IN_FIRST].costs == "erases the new drive"


@pytest.mark.parametrize("spared", [LEAST_SPARED_HOURS, LEAST_SPARED_HOURS / 2])
def test_time_spared_is_said_from_half_an_hour(spared: float) -> None:
    one = choice(ChoiceKind.LET_IT_RUN, 0.001, 10.0)
    found = rank([one, choice(ChoiceKind.COPY_FIRST, 0.01, 10.0 + spared)])
    assert ("less exposed" in found.reason) == (spared >= LEAST_SPARED_HOURS)
