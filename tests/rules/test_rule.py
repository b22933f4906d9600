"""What a rule holds."""

from __future__ import annotations

import pytest

from watcher.rules.catalogue import CATALOGUE


def test_a_threshold_is_found_by_name() -> None:
    """And only by a name that it has."""
    rule = CATALOGUE["scrub-overdue"]
    assert rule.threshold("days").value == 35
    with pytest.raises(KeyError, match="weeks"):
        rule.threshold("weeks")
