"""The demo as a command."""

from __future__ import annotations

from tests.cli.state import command


def test_the_demo_tells_the_whole_story_and_touches_nothing() -> None:
    status, text = command(None, "demo", "--no-pause")
    assert status == 0
    assert "Nothing here is touched" in text
    assert "All clear" in text
    assert "midwatch look" in text.splitlines()[-1]
