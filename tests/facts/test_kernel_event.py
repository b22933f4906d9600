"""A kernel event stands for at least one line, at an aware time."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from watcher.facts.kernel_event import Category, KernelEvent

AT = datetime(2026, 3, 2, tzinfo=UTC)


def test_an_event_stands_for_at_least_one_line() -> None:
    with pytest.raises(ValueError, match="at least one"):
        KernelEvent(at=AT, category=Category.NOISE, what="x", device="", count=0)


def test_times_are_aware() -> None:
    naive = AT.replace(tzinfo=None)
    with pytest.raises(ValueError, match="aware"):
        KernelEvent(at=naive, category=Category.NOISE, what="x", device="")
    with pytest.raises(ValueError, match="aware"):
        KernelEvent(at=AT, category=Category.NOISE, what="x", device="", last_at=naive)
