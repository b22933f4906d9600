"""Processes of one hub write one after the other, and one that dies holds up nobody."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

import pytest

from watcher.hub import turn
from watcher.hub.turn import Turn

HOLDER = """
import sys
from pathlib import Path
from watcher.hub.turn import Turn
with Turn(Path(sys.argv[1])).taken():
    print("mine", flush=True)
    sys.stdin.read()
"""
PATIENCE_SECONDS = 60


def waiting_for(store: Path) -> threading.Event:
    """Wait for a turn in a thread; tells when it came."""
    came = threading.Event()

    def wait() -> None:
        with Turn(store).taken():
            came.set()

    threading.Thread(target=wait, daemon=True).start()
    return came


def holder(store: Path) -> subprocess.Popen[str]:
    """Have another process hold the turn."""
    other = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(store)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert other.stdout is not None
    assert other.stdout.readline() == "mine\n"
    return other


def test_a_turn_is_waited_for_until_the_process_that_has_it_is_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(turn, "BUSY_MILLISECONDS", PATIENCE_SECONDS * 1000)
    with holder(tmp_path / "m.db") as other:
        came = waiting_for(tmp_path / "m.db")
        assert not came.wait(0.5), "two had their turn at once"
        other.kill()
        assert came.wait(PATIENCE_SECONDS), "a turn outlived its process"


def test_a_turn_that_does_not_come_is_not_waited_for_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(turn, "BUSY_MILLISECONDS", 50)
    with holder(tmp_path / "m.db") as other:
        assert waiting_for(tmp_path / "m.db").wait(PATIENCE_SECONDS)
        assert other.poll() is None
        other.kill()


def test_a_turn_is_given_back_after_an_error(tmp_path: Path) -> None:
    mine = Turn(tmp_path / "m.db")
    with pytest.raises(ValueError, match="odd"), mine.taken():
        raise ValueError("odd")
    assert waiting_for(tmp_path / "m.db").wait(PATIENCE_SECONDS)


def test_without_a_file_nobody_waits(tmp_path: Path) -> None:
    gone = tmp_path / "none" / "m.db"
    with Turn(gone).taken(), Turn(gone).taken(), Turn(None).taken():
        assert list(tmp_path.iterdir()) == []
