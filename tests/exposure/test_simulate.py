"""Invented lives of a group of drives (the published base case is in tests/reference)."""

from __future__ import annotations

import math
import random

import pytest

from watcher.exposure.redundancy import chain
from watcher.exposure.simulate import Group, Tally, simulate
from watcher.exposure.weibull import Weibull

YEAR = 8760.0


def run(seed: int = 1, groups: int = 2000, years: float = 10, **changes: object) -> Tally:
    facts: dict[str, object] = {
        "drives": 4,
        "bears": 1,
        "life": Weibull(shape=1, scale=20_000),
        "restore": Weibull(shape=1, scale=300),
    }
    group = Group(**{**facts, **changes})  # type: ignore[arg-type]
    return simulate(group, groups=groups, hours=years * YEAR, chance=random.Random(seed))


def test_the_same_chance_gives_the_same_tally() -> None:
    assert run(7, groups=200) == run(7, groups=200)
    assert run(7, groups=200) != run(8, groups=200)


def test_failures_are_as_many_as_the_law_says() -> None:
    tally = run()
    expected = 4 * 10 * YEAR / (20_000 + 300) * tally.groups
    assert abs(tally.failures - expected) < 4 * math.sqrt(expected)


@pytest.mark.parametrize(("bears", "groups"), [(1, 2000), (2, 6000)])
def test_losses_of_drives_alone_agree_with_the_markov_chain(bears: int, groups: int) -> None:
    """Exponential lives and repairs, no latent defects: within three standard errors and 5%.

    The simulation goes on after a loss, so its rate is that of the chain with the broken time
    taken off; 5% allows for it.
    """
    tally = run(bears=bears, groups=groups)
    years = tally.groups * 10
    expected = years * YEAR / chain(20_000, 300, 4, bears)
    assert tally.losses == tally.losses_by_drives
    assert abs(tally.losses - expected) < 3 * math.sqrt(expected) + 0.05 * expected


def test_latent_defects_only_add_and_scrubs_take_away() -> None:
    clean = run()
    never = run(defects_per_hour=1e-4)
    weekly = run(defects_per_hour=1e-4, scrub=Weibull(shape=3, scale=168))
    assert clean.losses < weekly.losses < never.losses
    assert never.losses_by_drives < never.losses
    assert never.groups_hit <= never.groups


def test_more_parity_loses_less() -> None:
    losses = [run(bears=bears, defects_per_hour=1e-5).losses for bears in (0, 1, 2)]
    assert losses == sorted(losses, reverse=True)
    assert run(bears=0).losses == run(bears=0).failures


def test_old_drives_that_wear_out_fail_sooner() -> None:
    law = Weibull(shape=3, scale=50_000)
    assert run(life=law, age_hours=40_000.0, years=1).failures > run(life=law, years=1).failures


def test_the_interval_holds_the_rate_and_no_loss_is_no_proof() -> None:
    tally = run()
    low, high = tally.yearly_interval()
    assert low < tally.losses / tally.groups / 10 < high
    none = run(life=Weibull(shape=1, scale=1e12), groups=100)
    assert none.losses == 0
    assert none.yearly_interval() == (0.0, pytest.approx(3.6889 / 1000, rel=1e-4))


def test_a_group_cannot_bear_the_loss_of_all() -> None:
    with pytest.raises(ValueError, match="cannot bear"):
        run(bears=4)
