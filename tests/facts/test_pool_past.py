"""What history knows of a pool."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from watcher.facts.identity import PoolId
from watcher.facts.pool import PoolKind, WorkKind
from watcher.facts.pool_past import PoolPast, WorkSample

T0 = datetime(2026, 3, 1, tzinfo=UTC)


def past(**more: object) -> PoolPast:
    """Make a past."""
    facts: dict[str, object] = {
        "pool": PoolId("md:tank"),
        "name": "tank",
        "kind": PoolKind.MD,
        "first_seen": T0,
        "last_seen": T0,
    }
    return PoolPast(**(facts | more))  # type: ignore[arg-type]


def test_the_errors_of_a_member_are_found_by_its_name_and_unknown_is_not_zero() -> None:
    """None when it was not counted."""
    seen = past(member_errors=(("sda1", 0), ("sdb1", 7)))
    assert [seen.errors_of(name) for name in ("sda1", "sdb1", "sdc1")] == [0, 7, None]


def test_times_must_be_utc() -> None:
    """Checked when built."""
    elsewhere = datetime(2026, 3, 1, tzinfo=timezone(timedelta(hours=1)))
    with pytest.raises(ValueError, match="first_seen"):
        past(first_seen=elsewhere)
    with pytest.raises(ValueError, match="last_seen"):
        past(last_seen=elsewhere)
    with pytest.raises(ValueError, match="at must"):
        WorkSample(at=elsewhere, kind=WorkKind.REBUILD)


def test_a_fraction_lies_between_0_and_1() -> None:
    """Checked when built."""
    with pytest.raises(ValueError, match="done_fraction"):
        WorkSample(at=T0, kind=WorkKind.REBUILD, done_fraction=1.2)
