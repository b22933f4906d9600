"""When the ground gives way under the real daemon: it goes on, says so, and comes back."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lab.daemon import Daemon, midwatch
from tests.lab.receivers import Hook, wait_until, web_server
from tests.readers.drive_samples import ata_answer, ata_document, program

SETTINGS = """box_name: attic
state_directory: {state}
survey:
  drive_timeout_seconds: 20
cases:
  settle_minutes: 0
  gather_seconds: 0
kernel_log:
  source: none
people:
  - name: ada
    targets:
      - name: hook
        url: "json://{address}/"
drives:
{drives}
"""

NO_MOUNTS = pytest.mark.skipif(
    os.geteuid() != 0 or shutil.which("mount") is None, reason="needs root and mount"
)


class Shelf:
    """Invented drives, and a smartctl that knows them."""

    def __init__(self, folder: Path, count: int) -> None:
        self.folder = folder / "shelf"
        self.folder.mkdir()
        self.count = count
        for number in range(count):
            document = ata_document(serial=f"S{number:03}")
            document["wwn"]["id"] = number
            (self.folder / f"x{number:03}").write_text(ata_answer(document), encoding="utf-8")
        self.install()

    def install(self, body: str | None = None) -> None:
        """Put a smartctl there; by default the good one."""
        scan = '{"smartctl":{"version":[7,3],"exit_status":0,"output":[]},"devices":[]}'
        good = (
            f"case \"$*\" in *--scan*) echo '{scan}'; exit 0;; esac\n"
            f"for last; do :; done; exec cat {self.folder}/${{last##*/}}"
        )
        program(self.folder, "smartctl", good if body is None else body)

    @property
    def environ(self) -> dict[str, str]:
        return {"PATH": f"{self.folder}{os.pathsep}{os.environ['PATH']}"}

    @property
    def settings(self) -> str:
        rows = (f"  - node: /dev/x{n:03}\n    device_type: sat" for n in range(self.count))
        return "\n".join(rows)


def write(folder: Path, shelf: Shelf, *, state: Path, address: str) -> Path:
    config = folder / "midwatch.yaml"
    text = SETTINGS.format(state=state, address=address, drives=shelf.settings)
    config.write_text(text, encoding="utf-8")
    return config


@pytest.fixture
def read_only(tmp_path: Path) -> Iterator[Path]:
    at = tmp_path / "state"
    at.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "ro,size=8m", "tmpfs", at], check=True)
    try:
        yield at
    finally:
        subprocess.run(["umount", "-l", at], check=True)


@pytest.mark.root
@NO_MOUNTS
def test_a_state_folder_that_cannot_be_written_at_the_start_stops_no_message(
    tmp_path: Path, read_only: Path
) -> None:
    """It watches in memory, tells a person so, and goes to the disk when that can be written."""
    hook = Hook()
    shelf = Shelf(tmp_path, 2)
    with web_server(hook) as port:
        config = write(tmp_path, shelf, state=read_only, address=f"127.0.0.1:{port}")
        daemon = Daemon(config, environ=shelf.environ)
        try:
            assert wait_until(lambda: "Watching." in daemon.text, 60), daemon.text
            assert "goes on in memory" in daemon.text
            assert wait_until(lambda: bool(hook.posts), 60), daemon.text
            assert "history cannot be written" in str(hook.posts[0][1]["message"])
            subprocess.run(["mount", "-o", "remount,rw", read_only], check=True)
            daemon.look()
            assert wait_until(lambda: "written to the disk again" in daemon.text, 60), daemon.text
            assert (read_only / "midwatch.db").exists()
            assert daemon.process.poll() is None
            assert "S000" in midwatch(config, "drives")
        finally:
            daemon.kill()


def seen(daemon: Daemon, pattern: str) -> bool:
    """Tell whether it printed something, however the lines were broken."""
    return re.search(pattern, " ".join(daemon.text.split())) is not None


def test_a_smartctl_that_is_replaced_in_mid_run_blinds_and_is_believed_again(
    tmp_path: Path,
) -> None:
    """Taken away, talking nonsense, and good again: blind twice, never well, then seen."""
    shelf = Shelf(tmp_path, 2)
    config = write(tmp_path, shelf, state=tmp_path / "state", address="127.0.0.1:1")
    daemon = Daemon(config, environ=shelf.environ)
    try:
        assert wait_until(lambda: "Watching." in daemon.text, 60), daemon.text
        assert "S000" in daemon.text
        shelf.install("echo '{\"smartctl\": {}'")
        daemon.look()
        says = r"the drive at /dev/x000 sat: We cannot see how the drive is"
        assert wait_until(lambda: seen(daemon, rf"new {says}"), 60), daemon.text
        assert "All clear" not in daemon.text
        shelf.install()
        daemon.look()
        assert wait_until(lambda: seen(daemon, rf"holds no more {says}"), 60), daemon.text
        assert daemon.stop() == 0
    finally:
        daemon.kill()


def test_without_a_name_server_messages_wait_and_the_watch_goes_on(tmp_path: Path) -> None:
    """The name cannot be resolved (RFC 6761: .invalid never is); nothing is given up or lost."""
    shelf = Shelf(tmp_path, 1)
    config = write(tmp_path, shelf, state=tmp_path / "state", address="phone.invalid")
    daemon = Daemon(config, environ=shelf.environ)
    try:
        assert wait_until(lambda: "Watching." in daemon.text, 60), daemon.text
        shelf.install("exit 2")
        daemon.look()
        assert wait_until(lambda: "cannot see how the drive is" in daemon.text, 60), daemon.text
        assert wait_until(lambda: "ada" in midwatch(config, "notify", "log"), 60)
        assert daemon.process.poll() is None
        log = midwatch(config, "notify", "log")
        assert "delivered" not in log, log
    finally:
        daemon.kill()


@pytest.mark.slow
def test_two_hundred_drives_are_all_looked_at(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, 200)
    config = write(tmp_path, shelf, state=tmp_path / "state", address="127.0.0.1:1")
    daemon = Daemon(config, environ=shelf.environ)
    try:
        assert wait_until(lambda: "Watching." in daemon.text, 120), daemon.text
        assert all(f"S{number:03}" in daemon.text for number in range(200))
    finally:
        daemon.kill()
