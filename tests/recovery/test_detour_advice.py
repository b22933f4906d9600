from __future__ import annotations

import pytest

from tests.recovery.world import START
from watcher.recovery.detour_advice import detour_tasks
from watcher.recovery.record import Detour, DetourKind


@pytest.mark.parametrize("kind", list(DetourKind))
def test_every_detour_says_what_happened_and_what_to_do(kind: DetourKind) -> None:
    first, *rest = detour_tasks(Detour(kind=kind, began_at=START, text="This happened."))
    assert first == "This happened."
    assert rest
    assert all(text.endswith(".") for text in rest)


def test_a_drive_that_was_pulled_goes_back_before_anything_else() -> None:
    tasks = detour_tasks(Detour(kind=DetourKind.WRONG_PULLED, began_at=START, text="x."))
    assert tasks[1].startswith("Put it back")
    assert "hot swap" in tasks[1]


def test_beyond_the_margin_says_when_to_ask_for_help() -> None:
    text = " ".join(detour_tasks(Detour(kind=DetourKind.BEYOND_MARGIN, began_at=START, text="x.")))
    assert "professional recovery is the better call" in text
    assert "clicks" in text
