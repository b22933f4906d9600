"""The state folder fills up while the daemon runs: messages go on, and the history comes back."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lab.at_once import AT_ONCE, HOOK
from tests.lab.daemon import Daemon, cases_of
from tests.lab.loops import btrfs_mirror, why_not
from tests.lab.receivers import Hook, wait_until, web_server
from tests.lab.small_disks import small_disk

LACKING = why_not() or (None if shutil.which("mount") else "needs mount")
pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(LACKING is not None, reason=f"a full disk {LACKING}"),
]

SETTINGS = AT_ONCE + HOOK


@pytest.fixture(name="small_disk")
def two_mebibytes(tmp_path: Path) -> Iterator[Path]:
    with small_disk(tmp_path / "small", 2) as at:
        yield at


def fill(folder: Path) -> Path:
    """Leave no byte of room."""
    ballast = folder / "ballast"
    with ballast.open("wb") as file:
        for size in (65536, 4096, 1):
            try:
                while True:
                    os.write(file.fileno(), b"x" * size)
            except OSError:
                continue
    return ballast


def texts(hook: Hook) -> list[str]:
    return [f"{post['title']}\n{post['message']}" for _, post in hook.posts]


def test_a_full_disk_stops_no_message_and_loses_no_case(tmp_path: Path, small_disk: Path) -> None:
    hook = Hook()
    config = tmp_path / "midwatch.yaml"
    with (
        web_server(hook) as port,
        btrfs_mirror(tmp_path, label="orchard") as (mirror, (spare,)),
    ):
        config.write_text(SETTINGS.format(state=small_disk, hook=port), encoding="utf-8")
        daemon = Daemon(config)
        try:
            assert wait_until(lambda: "Watching." in daemon.text, 30), daemon.text
            ballast = fill(small_disk)
            mirror.lose(mirror.drives[1])
            daemon.look()
            assert wait_until(lambda: bool(hook.posts), 60), daemon.text
            assert "goes on in memory" in daemon.text
            assert "orchard" in texts(hook)[0]
            assert "history cannot be written" in texts(hook)[0]

            ballast.unlink()
            daemon.look()
            assert wait_until(lambda: "written to the disk again" in daemon.text, 60), daemon.text
            (case,) = [c for c in cases_of(config) if c["urgency"] == "now"]
            assert case["urgency"] == "now"

            mirror.replace(2, spare)
            mirror.convert()
            daemon.look()
            assert wait_until(lambda: any("All clear" in t for t in texts(hook)), 60), texts(hook)
            ids = [headers["X-Midwatch-Message"] for headers, _ in hook.posts]
            assert len(ids) == len(set(ids)), "a message came twice"
        finally:
            daemon.kill()
