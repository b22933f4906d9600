"""Whole recoveries as text: what happens, what a survey shows, and where the recovery goes."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.recovery.world import SCENARIOS, Scenario

FILES = sorted(SCENARIOS.glob("*.txt"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_recovery_goes_as_it_is_written(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    told = "\n".join(Scenario().run(text)) + "\n"
    if os.environ.get("REWRITE_SCENARIOS"):
        path.write_text(told, encoding="utf-8")
    assert told == text


def test_every_scenario_says_why_it_is_there() -> None:
    assert len(FILES) >= 10
    for path in FILES:
        assert path.read_text(encoding="utf-8").startswith("# "), path.name


def test_a_line_that_is_not_understood_is_refused() -> None:
    with pytest.raises(ValueError, match="dance"):
        list(Scenario().run("dance a little"))
