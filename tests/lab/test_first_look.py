"""The first look of the real watch while a drive hangs: who waits knows for which."""

from __future__ import annotations

import os
import pty
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lab.daemon import ROOT, Daemon
from tests.lab.receivers import wait_until
from tests.lab.shelf import Shelf

SETTINGS = """box_name: attic
state_directory: {state}
survey:
  drive_timeout_seconds: 6
kernel_log:
  source: none
drives:
{drives}
"""


@pytest.fixture(name="shelf")
def a_shelf(tmp_path: Path) -> Shelf:
    """Two drives, of which the second hangs."""
    shelf = Shelf(tmp_path, 2)
    good = (shelf.folder / "smartctl").read_text(encoding="utf-8").partition("\n")[2]
    shelf.install(f'case "$*" in */dev/x001*) exec sleep 55;; esac\n{good}')
    return shelf


@pytest.fixture(name="config")
def settings(tmp_path: Path, shelf: Shelf) -> Path:
    config = tmp_path / "midwatch.yaml"
    text = SETTINGS.format(state=tmp_path / "state", drives=shelf.settings)
    config.write_text(text, encoding="utf-8")
    return config


class Terminal:
    """A watch on a terminal of 80 columns, and what stands there."""

    def __init__(self, config: Path, environ: dict[str, str]) -> None:
        ours, theirs = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "watcher.cli", "--config", str(config), "watch"],
            cwd=ROOT,
            env={**os.environ, **environ, "COLUMNS": "80"},
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
        )
        os.close(theirs)
        self._ours, self._shown = ours, b""
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while True:
            try:
                piece = os.read(self._ours, 65536)
            except OSError:  # EIO: nobody holds the other end any more (pty(7))
                return
            if not piece:
                return
            self._shown += piece

    @property
    def text(self) -> str:
        """All that was ever shown."""
        return self._shown.decode("utf-8", "replace").replace("\r\n", "\n")

    def press_ctrl_c(self) -> None:
        self.process.send_signal(signal.SIGINT)  # which a terminal makes of it

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        self._reader.join(10)
        os.close(self._ours)


@pytest.fixture(name="terminal")
def a_terminal(config: Path, shelf: Shelf) -> Iterator[Terminal]:
    terminal = Terminal(config, shelf.environ)
    yield terminal
    terminal.end()


def test_a_person_at_the_terminal_sees_for_whom_it_waits_and_all_the_rest(
    terminal: Terminal,
) -> None:
    """The line is gone when the wait is over, and the whole stands there."""
    assert wait_until(lambda: "Watching." in terminal.text, 60), terminal.text
    before, _, early = terminal.text.partition("Not all drives have answered within 4 s.")
    assert re.search(r"No answer yet: x001, \d+ s of at most 6 s\.", before), terminal.text
    assert "Ctrl-C ends the watch." in before
    early, _, whole = early.partition("Now with x001")
    assert "S000" in early
    assert "S000" in whole
    assert "hangs" in whole
    assert "No answer yet" not in whole
    last = terminal.text.rfind("No answer yet")
    assert "\r\x1b[K" in terminal.text[last:], "it was taken away"


def test_ctrl_c_ends_the_watch_also_while_it_waits(terminal: Terminal) -> None:
    assert wait_until(lambda: "No answer yet: x001" in terminal.text, 60), terminal.text
    terminal.press_ctrl_c()
    assert wait_until(lambda: terminal.process.poll() is not None, 30), terminal.text
    assert "Watching." not in terminal.text


@pytest.mark.parametrize("journal", [False, True])
def test_without_a_terminal_the_silent_drive_is_named_once(
    config: Path, shelf: Shelf, *, journal: bool
) -> None:
    environ = {**shelf.environ, **({"JOURNAL_STREAM": "8:1"} if journal else {})}
    daemon = Daemon(config, environ=environ)
    says = "survey_changed" if journal else "Watching."
    try:
        assert wait_until(lambda: says in daemon.text, 60), daemon.text
        said = [line for line in daemon.lines if "No answer yet" in line]
        assert len(said) == 1, daemon.text
        assert "No answer yet: x001. Waiting up to 6 s." in said[0]
        assert "\x1b" not in daemon.text
        assert "Not all drives have answered" not in daemon.text
    finally:
        daemon.kill()
