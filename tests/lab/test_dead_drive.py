"""The drive under the state folder dies for good, by real means, under the daemon and its commands.

A btrfs in a file on an ext4, which is told to let nothing be read or written any more
(EXT4_IOC_SHUTDOWN, ioctl): for the btrfs that is a drive that is gone. Of the files that SQLite
maps the kernel can then give no page, which it can say by SIGBUS only.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.lab.daemon import ROOT, Daemon, cases_of
from tests.lab.loops import run, why_not
from tests.lab.receivers import Hook, wait_until, web_server
from tests.lab.shelf import Shelf
from tests.lab.small_disks import small_disk
from tests.lab.test_ground_gives_way import write
from watcher.service.disk_proof import PROOF_SECONDS

EXT4_IOC_SHUTDOWN = 0x8004587D  # _IOR('X', 125, __u32), linux/ext4.h
NO_LOG_FLUSH = struct.pack("I", 2)

pytestmark = [
    pytest.mark.root,
    pytest.mark.lab,
    pytest.mark.skipif(why_not() is not None, reason=str(why_not())),
]

SAYS = "A drive failed under"
STALE = "what the watch has seen since is not in it"


@pytest.fixture
def mortal(tmp_path: Path) -> Iterator[tuple[Path, Callable[[], None]]]:
    """Give a btrfs, and what kills the drive under it."""
    if shutil.which("mkfs.ext4") is None:
        pytest.skip("needs mkfs.ext4")
    with ExitStack() as undo, small_disk(tmp_path / "under", 400) as under:
        ground, at = tmp_path / "ground", tmp_path / "at"
        for place, image, make, size in (
            (ground, under / "outer", ("mkfs.ext4", "-q", "-F"), 390),
            (at, ground / "drive", ("mkfs.btrfs", "-q", "-f"), 200),
        ):
            place.mkdir()
            with image.open("wb") as file:
                file.truncate(size << 20)
            run(*make, image)
            run("mount", "-o", "loop", image, place)
            undo.callback(run, "umount", "--lazy", place, check=False)

        def die() -> None:
            handle = os.open(ground, os.O_RDONLY)
            try:
                fcntl.ioctl(handle, EXT4_IOC_SHUTDOWN, NO_LOG_FLUSH)
            finally:
                os.close(handle)

        yield at, die


def command(config: Path, *words: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "watcher.cli", "--config", str(config), *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    return done.returncode, " ".join((done.stdout + done.stderr).split())


def test_commands_end_with_a_sentence_and_the_watch_goes_on(
    tmp_path: Path, mortal: tuple[Path, Callable[[], None]]
) -> None:
    at, die = mortal
    hook, shelf = Hook(), Shelf(tmp_path, 2)
    with web_server(hook) as port:
        config = write(tmp_path, shelf, state=at / "state", address=f"127.0.0.1:{port}")
        daemon = Daemon(config, environ=shelf.environ)
        try:
            assert wait_until(lambda: "Watching." in daemon.text, 60), daemon.text
            die()
            ends = [command(config, "cases") for _ in range(12)]
            assert all(status in {0, 4} for status, _ in ends), ends
            daemon.look()
            why = "history cannot be written"
            assert wait_until(lambda: any(why in str(p[1]) for p in hook.posts), 120), daemon.text
            for _ in range(3):
                daemon.look()
                ends.append(command(config, "cases"))
            assert all(status in {0, 4} for status, _ in ends), ends
            assert all(status == 0 or said for status, said in ends)
            assert STALE in ends[-1][1] or ends[-1][0] == 4, ends
            assert daemon.process.poll() is None, daemon.text
            told = [p for p in hook.posts if why in str(p[1])]
            assert len(told) == 1, told
            assert daemon.stop() in {0, 4}, daemon.text
        finally:
            daemon.kill()


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Path]:
    """Give a file system that can be made to let every write wait."""
    if shutil.which("mkfs.ext4") is None or shutil.which("fsfreeze") is None:
        pytest.skip("needs mkfs.ext4 and fsfreeze")
    image, place = tmp_path / "image", tmp_path / "slow"
    place.mkdir()
    with image.open("wb") as file:
        file.truncate(64 << 20)
    run("mkfs.ext4", "-q", "-F", image)
    run("mount", "-o", "loop", image, place)
    try:
        yield place
    finally:
        run("umount", "--lazy", place, check=False)


def test_a_watch_that_begins_on_a_disk_that_stands_still_stands_on_memory(
    tmp_path: Path, at: Path
) -> None:
    """A drive may hold a write for minutes; nobody could end a process that waits for it."""
    hook, shelf = Hook(), Shelf(tmp_path, 2)
    with ExitStack() as undo, web_server(hook) as port:
        config = write(tmp_path, shelf, state=at / "state", address=f"127.0.0.1:{port}")
        run("fsfreeze", "--freeze", at)
        undo.callback(run, "fsfreeze", "--unfreeze", at, check=False)
        daemon = Daemon(config, environ=shelf.environ)
        undo.callback(daemon.kill)
        assert wait_until(lambda: "Watching." in daemon.text, PROOF_SECONDS + 60), daemon.text
        assert "does not answer" in daemon.text
        why = "history cannot be written"
        assert wait_until(lambda: any(why in str(p[1]) for p in hook.posts), 60), daemon.text
        daemon.look()
        assert wait_until(lambda: daemon.text.count("read again") == 1, 60), daemon.text
        run("fsfreeze", "--unfreeze", at)
        daemon.look()
        assert wait_until(lambda: "to the disk again" in daemon.text, 60), daemon.text
        assert daemon.stop() == 0


def test_a_disk_that_stands_still_under_a_running_watch_does_not_hold_it_up(
    tmp_path: Path, at: Path
) -> None:
    """What is seen meanwhile is told within some two minutes, and is on the disk afterwards."""
    hook, shelf = Hook(), Shelf(tmp_path, 2)
    with ExitStack() as undo, web_server(hook) as port:
        config = write(tmp_path, shelf, state=at / "state", address=f"127.0.0.1:{port}")
        daemon = Daemon(config, environ=shelf.environ)
        undo.callback(daemon.kill)
        assert wait_until(lambda: "Watching." in daemon.text, 60), daemon.text
        run("fsfreeze", "--freeze", at)
        undo.callback(run, "fsfreeze", "--unfreeze", at, check=False)
        shelf.install("exit 2")
        daemon.look()
        for told in ("cannot see how the drive is", "history cannot be written"):
            assert wait_until(
                lambda told=told: any(told in str(post[1]) for post in hook.posts),
                PROOF_SECONDS + 90,
            ), (hook.posts, daemon.text)
        run("fsfreeze", "--unfreeze", at)
        daemon.look()
        assert wait_until(lambda: "to the disk again" in daemon.text, 90), daemon.text
        assert any("cannot see how the drive is" in str(case) for case in cases_of(config))
        ids = [headers["X-Midwatch-Message"] for headers, _ in hook.posts]
        assert len(ids) == len(set(ids)), daemon.text
        assert daemon.stop() == 0
