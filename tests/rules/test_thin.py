"""Thin pools that run full."""

from __future__ import annotations

import pytest

from tests.rules.build import note, of, pool, urgency, view
from watcher.facts.pool import Pool, PoolKind, Protection, Remark
from watcher.rules.tuning import Override, Tuning

RULE = "thin-pool-fills"


def thin(data: int | None = 10, metadata: int | None = 10, **more: object) -> Pool:
    notes = tuple(
        note(remark, amount=amount)
        for remark, amount in ((Remark.SPACE_LOW, data), (Remark.METADATA_LOW, metadata))
        if amount is not None
    )
    return pool(
        "a",
        bears=0,
        kind=PoolKind.LVM,
        layout="thin-pool",
        notes=notes + more.pop("also", ()),  # type: ignore[operator]
    )


@pytest.mark.parametrize(
    ("amount", "expected"),
    [
        (None, None),
        (0, None),
        (79, None),
        (80, "note"),
        (89, "note"),
        (90, "this-week"),
        (94, "this-week"),
        (95, "today"),
        (99, "today"),
        (100, "now"),
    ],
)
def test_the_fuller_the_sooner(amount: int | None, expected: str | None) -> None:
    """Source: lvmthin(7), where LVM itself warns at 80, 85, 90 and 95 percent."""
    assert urgency(RULE, view(pools=(thin(data=amount),))) == expected
    assert urgency(RULE, view(pools=(thin(metadata=amount),))) == expected


def test_other_pools_are_not_asked() -> None:
    assert urgency(RULE, view(pools=(pool(),))) is None


def test_what_to_do_is_about_that_which_is_fullest() -> None:
    (data,) = of(RULE, view(pools=(thin(data=92, metadata=50),)))
    assert "lvextend -l +100%FREE" in data.next_step
    assert "fstrim" in data.next_step
    (metadata,) = of(RULE, view(pools=(thin(data=85, metadata=92),)))
    assert "--poolmetadatasize" in metadata.next_step


def test_full_metadata_is_never_to_be_repaired_before_the_copy() -> None:
    """lvmthin(7): it requires offline checking and repair; a repair can lose volumes."""
    (found,) = of(RULE, view(pools=(thin(data=100, metadata=100),)))
    assert "copy first" in found.next_step
    assert "lvextend" not in found.next_step
    assert "takes no new data" in found.sentence


def test_a_full_pool_says_to_stop_what_writes() -> None:
    (found,) = of(RULE, view(pools=(thin(data=100),)))
    assert found.next_step.startswith("Stop what writes to it")
    assert "check the filesystems" in found.next_step


def test_one_that_failed_is_told_as_broken_and_not_twice() -> None:
    failed = note(Remark.SUSPENDED, at_most=Protection.BROKEN)
    seen = view(pools=(thin(data=100, also=(failed,)),))
    assert urgency(RULE, seen) is None
    assert urgency("pool-broken", seen) == "now"


def test_the_owner_may_want_to_hear_of_it_sooner() -> None:
    tuning = Tuning(overrides=(Override(rule=RULE, threshold="percent", value=60),))
    seen = view(pools=(thin(data=60),))
    assert urgency(RULE, seen) is None
    assert urgency(RULE, seen, tuning) == "note"
