"""When the ground gives way under the real daemon: it goes on, says so, and comes back."""

from __future__ import annotations

import os
import re
import resource
import shutil
import subprocess
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from tests.lab.daemon import Daemon, cases_of, midwatch
from tests.lab.receivers import Hook, wait_until, web_server
from tests.lab.shelf import Shelf
from tests.lab.small_disks import make_read_only, make_writable, small_disk

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


@pytest.mark.root
def test_a_watch_that_starts_again_on_a_disk_gone_read_only_tells_no_case_twice(
    tmp_path: Path,
) -> None:
    """What it told before is still on that disk, and is read from there."""
    hook = Hook()
    shelf = Shelf(tmp_path, 2)
    with small_disk(tmp_path / "state") as state, web_server(hook) as port:
        config = write(tmp_path, shelf, state=state, address=f"127.0.0.1:{port}")
        daemon = Daemon(config, environ=shelf.environ)
        try:
            assert wait_until(lambda: "Watching." in daemon.text, 60), daemon.text
            shelf.install("exit 2")
            daemon.look()
            sees = "cannot see how the drive is"
            assert wait_until(lambda: any(sees in str(p[1]) for p in hook.posts), 60), daemon.text
            assert wait_until(lambda: "arrived" in midwatch(config, "notify", "log"), 3)
            assert daemon.stop() == 0
            before = [case["number"] for case in cases_of(config)]
            make_read_only(state)
            told = len(hook.posts)
            daemon = Daemon(config, environ=shelf.environ)
            assert wait_until(lambda: "Watching." in daemon.text, 60), daemon.text
            assert "What was seen before is not known" not in daemon.text
            assert wait_until(lambda: len(hook.posts) > told, 60), daemon.text
            fresh = [str(post["message"]) for _, post in hook.posts[told:]]
            assert all("history cannot be written" in text for text in fresh), fresh
            assert not [text for text in fresh if sees in text], "told anew"
            assert "this is what was written last" in midwatch(config, "drives")
            make_writable(state)
            daemon.look()
            assert wait_until(lambda: "written to the disk again" in daemon.text, 60), daemon.text
            assert set(before) < {case["number"] for case in cases_of(config)}
        finally:
            daemon.kill()


@contextmanager
def frozen(at: Path) -> Iterator[None]:
    """Let every write to a file system wait (fsfreeze(8)), as on a disk that has almost stopped."""
    subprocess.run(["fsfreeze", "--freeze", at], check=True)
    try:
        yield
    finally:
        subprocess.run(["fsfreeze", "--unfreeze", at], check=True)


@pytest.fixture
def loop_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system on a loop device."""
    if os.geteuid() != 0 or any(shutil.which(one) is None for one in ("fsfreeze", "mkfs.ext4")):
        pytest.skip("needs root, fsfreeze and mkfs.ext4")
    image, at = tmp_path / "image", tmp_path / "slow"
    at.mkdir()
    with image.open("wb") as file:
        file.truncate(64 << 20)
    subprocess.run(["mkfs.ext4", "-q", "-F", "-e", "remount-ro", image], check=True)
    if subprocess.run(["mount", "-o", "loop", image, at], check=False).returncode:
        pytest.skip("a loop device cannot be mounted here")
    try:
        yield at
    finally:
        subprocess.run(["umount", at], check=False)


@pytest.mark.root
def test_a_disk_on_which_writes_stand_still_delays_and_loses_nothing(
    tmp_path: Path, loop_disk: Path
) -> None:
    """While nothing can be written nothing is sent; afterwards it is, once, and all is kept."""
    hook = Hook()
    shelf = Shelf(tmp_path, 2)
    with web_server(hook) as port:
        config = write(tmp_path, shelf, state=loop_disk / "s", address=f"127.0.0.1:{port}")
        daemon = Daemon(config, environ=shelf.environ)
        try:
            assert wait_until(lambda: "Watching." in daemon.text, 60), daemon.text
            with frozen(loop_disk):
                shelf.install("exit 2")
                daemon.look()
                assert not wait_until(lambda: bool(hook.posts), 4), (hook.posts, daemon.text)
                assert daemon.process.poll() is None
            sees = "cannot see how the drive is"
            assert wait_until(lambda: any(sees in str(p[1]) for p in hook.posts), 60), daemon.text
            assert any(sees in str(case) for case in cases_of(config))
            ids = [headers["X-Midwatch-Message"] for headers, _ in hook.posts]
            assert len(ids) == len(set(ids)), daemon.text
            assert daemon.stop() == 0
        finally:
            daemon.kill()


def shut(at: Path) -> None:
    """Let an ext4 notice an error, whereupon it lets nothing be written any more."""
    with (Path("/proc/self/mounts")).open(encoding="utf-8") as mounts:
        node = next(line.split()[0] for line in mounts if line.split()[1] == str(at))
    switch = Path("/sys/fs/ext4", Path(node).name, "trigger_fs_error")
    try:
        switch.write_text("a test", encoding="ascii")
    except OSError:
        pytest.skip("this kernel cannot make an ext4 fail on purpose")


@pytest.mark.root
def test_a_state_folder_that_becomes_read_only_under_the_watch_stops_no_message(
    tmp_path: Path, loop_disk: Path
) -> None:
    """As a file system does whose drive gave errors: the watch goes on in memory, and says so."""
    hook = Hook()
    shelf = Shelf(tmp_path, 2)
    with web_server(hook) as port:
        config = write(tmp_path, shelf, state=loop_disk / "s", address=f"127.0.0.1:{port}")
        daemon = Daemon(config, environ=shelf.environ)
        try:
            assert wait_until(lambda: "Watching." in daemon.text, 60), daemon.text
            shut(loop_disk)
            shelf.install("exit 2")
            daemon.look()
            sees = "cannot see how the drive is"
            assert wait_until(lambda: any(sees in str(p[1]) for p in hook.posts), 60), daemon.text
            assert wait_until(lambda: "goes on in memory" in daemon.text, 60), daemon.text
            daemon.look()
            why = "history cannot be written"
            assert wait_until(lambda: any(why in str(p[1]) for p in hook.posts), 60), daemon.text
            assert daemon.process.poll() is None
            ids = Counter(headers["X-Midwatch-Message"] for headers, _ in hook.posts)
            assert ids.total() == len(ids), daemon.text
            said = " ".join(midwatch(config, "drives").split())
            assert "what the watch has seen since is not in it" in said, "ext4 may still say rw"
        finally:
            daemon.kill()


@contextmanager
def nothing_written(*pids: int) -> Iterator[None]:
    """Let processes write nothing into any file (setrlimit(2), RLIMIT_FSIZE); pipes go on."""
    before = {pid: resource.prlimit(pid, resource.RLIMIT_FSIZE) for pid in pids}
    for pid, (_, most) in before.items():
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (0, most))
    try:
        yield
    finally:
        for pid, limits in before.items():
            with suppress(ProcessLookupError):
                resource.prlimit(pid, resource.RLIMIT_FSIZE, limits)


def children_of(pid: int) -> list[int]:
    """Give the processes that a process has started and that still run."""
    tasks = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(child) for task in tasks for child in task.read_text(encoding="ascii").split()]


def test_what_left_while_the_disk_failed_does_not_leave_again_from_memory(tmp_path: Path) -> None:
    """The receiver has it, the disk fails before that is written down, and the ground changes.

    Afterwards the disk is good again: still once, and known to have arrived.
    """
    hook = Hook()
    shelf = Shelf(tmp_path, 2)
    with web_server(hook) as port:
        config = write(tmp_path, shelf, state=tmp_path / "state", address=f"127.0.0.1:{port}")
        daemon = Daemon(config, environ=shelf.environ)
        try:
            assert wait_until(lambda: "Watching." in daemon.text, 60), daemon.text
            (delivery,) = children_of(daemon.process.pid)
            hook.confirms.clear()
            shelf.install("exit 2")
            daemon.look()
            assert wait_until(lambda: bool(hook.posts), 60), daemon.text
            with nothing_written(delivery, daemon.process.pid):
                hook.confirms.set()
                daemon.look()
                assert wait_until(lambda: "goes on in memory" in daemon.text, 60), daemon.text
                daemon.look()
                why = "history cannot be written"
                assert wait_until(lambda: any(why in str(p[1]) for p in hook.posts), 60), hook.posts
            daemon.look()
            assert wait_until(lambda: "to the disk again" in daemon.text, 60), daemon.text
            ids = Counter(headers["X-Midwatch-Message"] for headers, _ in hook.posts)
            assert ids.total() == len(ids), hook.posts
            assert wait_until(lambda: midwatch(config, "notify", "log").count("arrived") >= 2, 5)
            assert daemon.stop() == 0
        finally:
            hook.confirms.set()
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
        assert "arrived" not in log, log
    finally:
        daemon.kill()


@contextmanager
def little_memory(pid: int) -> Iterator[None]:
    """Let a process have no more memory than it has now (setrlimit(2), RLIMIT_AS)."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    found = re.search(r"^VmSize:\s+(\d+) kB", status, re.MULTILINE)
    assert found is not None
    before = resource.prlimit(pid, resource.RLIMIT_AS)
    resource.prlimit(pid, resource.RLIMIT_AS, (int(found[1]) * 1024, before[1]))
    try:
        yield
    finally:
        resource.prlimit(pid, resource.RLIMIT_AS, before)


def test_without_memory_for_a_look_the_watch_lives_on(tmp_path: Path) -> None:
    """It still hears what it is told, calls nothing well, and ends when it is asked to."""
    shelf = Shelf(tmp_path, 2)
    config = write(tmp_path, shelf, state=tmp_path / "state", address="127.0.0.1:1")
    daemon = Daemon(config, environ=shelf.environ)
    try:
        assert wait_until(lambda: "Watching." in daemon.text, 60), daemon.text
        with little_memory(daemon.process.pid):
            shelf.install("exit 2")
            for times in range(1, 4):
                daemon.look()
                assert wait_until(lambda: daemon.text.count("read again") >= times, 60), daemon.text  # noqa: B023
        assert "All clear" not in daemon.text
        assert "holds no more" not in daemon.text
        assert daemon.stop() == 0
    finally:
        daemon.kill()


def test_a_watch_that_is_asked_to_end_does_not_wait_for_a_drive_that_hangs(tmp_path: Path) -> None:
    """A drive is waited for up to a minute; who stops the watch is not kept that long."""
    shelf = Shelf(tmp_path, 1)
    asked = tmp_path / "asked"
    shelf.install(f'case "$*" in *--scan*) exit 0;; esac\ntouch {asked}; exec sleep 55')
    daemon = Daemon(
        write(tmp_path, shelf, state=tmp_path / "state", address="127.0.0.1:1"),
        environ=shelf.environ,
    )
    try:
        assert wait_until(asked.exists, 60), daemon.text
        began = time.monotonic()
        assert daemon.stop() == 0
        assert time.monotonic() - began < 30
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
