"""What an owner may change about the rules."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.rules.build import BOX, TANK, drive
from watcher.facts.drive import Metric
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.rules.tuning import (
    EVERYWHERE,
    UNTUNED,
    Compare,
    Override,
    OwnRule,
    Scope,
    SwitchedOff,
    Target,
    Threshold,
    Tuning,
)

TARGET = Target(
    box=BOX, drive=drive("a"), serial="XA1", model="Altair A8", pool=TANK, pool_name="tank"
)


@pytest.mark.parametrize(
    ("scope", "covers"),
    [
        (EVERYWHERE, True),
        (Scope(box=BOX), True),
        (Scope(box=BoxId("cellar")), False),
        (Scope(drive=drive("a")), True),
        (Scope(drive=drive("b")), False),
        (Scope(model="ALTAIR a8"), True),
        (Scope(model="Altair"), False),
        (Scope(pool=TANK), True),
        (Scope(drive="XA1", pool="tank"), True),
        (Scope(drive="XA1", pool="shed"), False),
        (Scope(drive="XB1"), False),
        (Scope(box=BOX, drive=drive("b")), False),
    ],
)
def test_a_scope_covers_a_target_when_every_named_part_is_its_own(
    scope: Scope, covers: bool
) -> None:
    """Capitals in a model's name do not matter."""
    assert scope.covers(TARGET) is covers


def test_a_scope_that_names_a_part_does_not_cover_who_has_none() -> None:
    """A finding about a box is not about a drive."""
    nobody = Target(box=BOX)
    assert not Scope(drive=drive("a")).covers(nobody)
    assert not Scope(model="Altair A8").covers(nobody)
    assert not Scope(pool=TANK).covers(nobody)


def test_the_closest_override_wins_and_the_later_of_equals() -> None:
    """Everywhere 1, this box 2, this drive of this box 3."""
    limit = Threshold(name="sectors", value=9, unit="sectors", source="a test")
    changes = (
        Override(rule="r", threshold="sectors", value=3, where=Scope(box=BOX, drive=drive("a"))),
        Override(rule="r", threshold="sectors", value=1),
        Override(rule="r", threshold="sectors", value=2, where=Scope(box=BOX)),
        Override(rule="other", threshold="sectors", value=7),
    )
    assert limit.of(Tuning(overrides=changes), "r", TARGET) == 3
    assert limit.of(Tuning(overrides=changes[1:]), "r", TARGET) == 2
    assert limit.of(Tuning(overrides=changes[3:]), "r", TARGET) == 9
    assert limit.of(UNTUNED, "r", TARGET) == 9
    twice = (changes[1], Override(rule="r", threshold="sectors", value=5))
    assert limit.of(Tuning(overrides=twice), "r", TARGET) == 5


def test_a_rule_is_off_where_it_is_switched_off() -> None:
    """And nowhere else."""
    tuning = Tuning(off=(SwitchedOff(rule="r", where=Scope(pool=TANK)),))
    assert tuning.is_off("r", TARGET)
    assert not tuning.is_off("r", Target(box=BOX))
    assert not tuning.is_off("s", TARGET)


@pytest.mark.parametrize(
    ("compare", "within", "value", "sentence"),
    [
        (Compare.RISES_BY, None, 1, "x"),
        (Compare.RISES_BY, timedelta(0), 1, "x"),
        (Compare.RISES_BY, timedelta(days=1), 0, "x"),
        (Compare.OVER, timedelta(days=1), 1, "x"),
        (Compare.OVER, None, 1, ""),
    ],
)
def test_a_comparison_that_cannot_be_made_is_refused(
    compare: Compare, within: timedelta | None, value: int, sentence: str
) -> None:
    """An owner's rule is checked like the rest."""
    with pytest.raises(ValueError, match=r"rises-by|within|needs"):
        OwnRule(
            name="mine",
            metric=Metric.LOAD_CYCLES,
            compare=compare,
            value=value,
            within=within,
            urgency=Urgency.NOTE,
            sentence=sentence,
        )
