"""The playbook: hard cases as text, played with the real rules, desk, store and words."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.simulation.playbook import play

FILES = sorted((Path(__file__).parent / "playbook").glob("[0-9]*.txt"))


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_it_goes_as_the_scenario_says(file: Path) -> None:
    """Each line that expects something holds, and so do the promises at the end."""
    play(file)


def test_every_scenario_gives_its_reason_and_expects_something() -> None:
    """A scenario without a reason or an expectation proves nothing."""
    assert len(FILES) >= 40
    for file in FILES:
        text = file.read_text(encoding="utf-8")
        assert text.startswith("# "), file.name
        assert "expect " in text, file.name
