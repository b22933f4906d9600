"""Over the years, and what each habit is worth."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from tests.exposure.pools import NOW, life, lives, name, parity, pool, ring
from watcher.exposure.figure import Figure
from watcher.exposure.life import DriveClass
from watcher.exposure.window import Spare, WindowPlan
from watcher.exposure.years import Habit, HabitKind, Years, over_the_years
from watcher.facts.pool import RedundancySet

CARELESS = WindowPlan()
WHOLE = pool(parity(6, 2), scrubbed_at=None)


def years(plan: WindowPlan = CARELESS, **changes: object) -> Years:
    return over_the_years(replace(WHOLE, **changes), lives(6), plan, NOW)  # type: ignore[arg-type]


def habit(found: Years, kind: HabitKind) -> Habit:
    return next(one for one in found.habits if one.kind is kind)


def test_every_habit_is_weighed_the_most_helpful_first() -> None:
    found = years()
    assert {one.kind for one in found.habits} == set(HabitKind)
    open_to = [one.factor for one in found.habits if not one.kept_already]
    assert open_to == sorted(open_to, reverse=True)
    assert [one.kept_already for one in found.habits] == sorted(
        one.kept_already for one in found.habits
    )


@pytest.mark.parametrize(
    "kind", [HabitKind.PROVEN_SPARE, HabitKind.MONTHLY_SCRUB, HabitKind.ONE_MORE_PARITY]
)
def test_each_habit_lowers_the_yearly_chance(kind: HabitKind) -> None:
    found = years()
    one = habit(found, kind)
    assert one.yearly.likely < found.yearly.likely
    assert one.factor == pytest.approx(found.yearly.likely / one.yearly.likely)
    assert "times less" in one.sentence


def test_a_habit_that_is_kept_already_promises_nothing() -> None:
    kept = years(WindowPlan(spare=Spare.PROVEN, scrub_every_days=14.0))
    for kind in (HabitKind.PROVEN_SPARE, HabitKind.MONTHLY_SCRUB, HabitKind.REPLACE_WORN):
        one = habit(kept, kind)
        assert one.kept_already
        assert one.yearly == kept.yearly
        assert "already" in one.sentence


def test_keeping_a_habit_gives_what_was_promised() -> None:
    promised = habit(years(), HabitKind.PROVEN_SPARE).yearly
    assert years(WindowPlan(spare=Spare.PROVEN)).yearly == promised


def test_one_more_parity_in_every_set() -> None:
    mirrors = RedundancySet(
        name="stripe", bears=0, parts=(parity(2, 1), parity(2, 1, start=2), parity(2, 1, start=4))
    )
    found = over_the_years(pool(mirrors), lives(6), CARELESS, NOW)
    assert habit(found, HabitKind.ONE_MORE_PARITY).factor > 5
    assert found.chain_yearly is None  # the textbook chain is for one plain set
    assert found.simulated is None


def test_replacing_worn_flash() -> None:
    worn = {
        name(n): life(n, drive_class=DriveClass.FLASH, wear_percent=95.0, age_hours=9000.0 + n)
        for n in range(6)
    }
    found = over_the_years(WHOLE, worn, CARELESS, NOW)
    assert habit(found, HabitKind.REPLACE_WORN).factor > 1.5


def test_a_degraded_pool_is_taken_as_it_is_run_not_as_it_is_today() -> None:
    today = over_the_years(pool(parity(6, 2, (1,)), scrubbed_at=None), lives(6), CARELESS, NOW)
    assert today.yearly == years().yearly


def test_scrubbing_more_often_never_hurts() -> None:
    chances = [years(WindowPlan(scrub_every_days=days)).yearly.likely for days in (7, 30, 90, 365)]
    assert chances == sorted(chances)


def test_the_simulation_agrees_with_the_closed_form_where_its_model_holds() -> None:
    """One parity, monthly scrubs, bad drives so that losses are many.

    The closed form counts the age of the last scrub as half a month and each defect alone; the
    two agree within a third.
    """
    bad = {name(n): life(n, risk=Figure.exactly(20.0)) for n in range(6)}
    plan = WindowPlan(spare=Spare.PROVEN, scrub_every_days=30.0)
    found = over_the_years(pool(parity(6, 1)), bad, plan, NOW, chance=random.Random(4))
    assert found.simulated is not None
    assert found.simulated_yearly is not None
    assert found.simulated.losses > 200
    rate = found.simulated.losses / found.simulated.groups / 10
    closed = -math.log1p(-found.yearly.likely)
    assert rate == pytest.approx(closed, rel=0.35)


def test_the_simulation_is_seeded_and_optional() -> None:
    one = over_the_years(WHOLE, lives(6), CARELESS, NOW, chance=random.Random(4))
    two = over_the_years(WHOLE, lives(6), CARELESS, NOW, chance=random.Random(4))
    assert one == two
    assert years().simulated is None
    flash = lives(6, drive_class=DriveClass.NVME)
    assert over_the_years(WHOLE, flash, CARELESS, NOW, chance=random.Random(4)).simulated is None


def test_the_textbook_chain_is_below_what_unreadable_sectors_add() -> None:
    found = years()
    assert found.chain_yearly is not None
    assert 0 < found.chain_yearly < found.yearly.likely


def test_the_sentence_gives_the_interval() -> None:
    found = years()
    assert found.sentence.startswith("As it is run now, the chance of losing data is 1 in ")
    assert "between" in found.sentence
    assert found.first_loss_yearly > 0
    assert found.hours_bare > 24


def test_a_chance_that_is_a_bound_is_said_to_be_one() -> None:
    """Four copies that go round 24 drives; the sets of one more parity rest on 48."""
    exact, bound = (
        over_the_years(pool(ring(count, copies=copies)), lives(count), CARELESS, NOW)
        for count, copies in ((8, 3), (24, 4))
    )
    assert (exact.bounded, bound.bounded) == (False, True)
    assert "the true chance is lower" in bound.sentence
    assert "the true chance" not in exact.sentence


def test_a_structure_that_is_not_known_has_no_outlook() -> None:
    with pytest.raises(ValueError, match="structure"):
        over_the_years(pool(None), {}, CARELESS, NOW)
