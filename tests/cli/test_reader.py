"""The two halves as real processes: the one looks, the other tells."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.lab.daemon import ROOT, midwatch
from watcher.cli.exits import Exit

SETTINGS = """box_name: attic
state_directory: {folder}
kernel_log:
  source: none
heartbeat:
  url_env: ONLY_THE_DESK_HAS_THIS
"""


def start(config: Path, sock: Path, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [
            *(sys.executable, "-m", "watcher.cli", "--config", str(config)),
            *("reader", "--socket", str(sock), *words),
        ],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={k: v for k, v in os.environ.items() if k != "NOTIFY_SOCKET"},
    )


def test_a_watch_looks_through_a_reader_and_is_blind_without_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The secret is in the desk's environment only, and the reader does not miss it."""
    config, sock = tmp_path / "midwatch.yaml", tmp_path / "r.sock"
    config.write_text(SETTINGS.format(folder=tmp_path / "state"), encoding="utf-8")
    with start(config, sock) as reader:
        assert reader.stdout is not None
        assert reader.stdout.readline().startswith("Listening")
        monkeypatch.setenv("ONLY_THE_DESK_HAS_THIS", "http://127.0.0.1:9/")
        seen = midwatch(config, "watch", "--once", "--reader", str(sock))
        assert "The reader half of the watch" not in seen
        reader.send_signal(signal.SIGHUP)
        reader.send_signal(signal.SIGTERM)
        assert reader.wait(20) == Exit.DONE
    blind = midwatch(config, "watch", "--once", "--reader", str(sock))
    assert "The reader half of the watch: it does not run" in blind
    assert "no drive, no pool and no kernel log is seen" in " ".join(blind.split())


def test_a_user_that_does_not_exist_and_a_place_that_cannot_be_used_are_refused(
    tmp_path: Path,
) -> None:
    config = tmp_path / "midwatch.yaml"
    config.write_text("box_name: attic\n", encoding="utf-8")
    for sock, words, says in (
        (tmp_path / "r", ("--for-user", "no-such-user"), "There is no user no-such-user"),
        (tmp_path / "no" / "r", (), "Nobody can be heard"),
    ):
        with start(config, sock, *words) as reader:
            out, _ = reader.communicate(timeout=30)
            assert says in out
            assert reader.returncode == Exit.REFUSED
