"""The burn-in as a command on real block devices of this machine: loop devices.

Every kind of use that must keep a drive from being erased is made for real. Device-mapper faults
(dm-error, dm-flakey) need a kernel with device-mapper: where there is none, a place of the file
behind the loop device is changed between writing and reading instead.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lab.loops import MIB, LoopDrive, loop_drives, run, why_not
from watcher.readers.block_map import loop_id
from watcher.recovery.proof_verdict import Result, outcome_of
from watcher.recovery.proving import Phase
from watcher.service.proof_file import ProofFile

LACKING = why_not()
ROOT = Path(__file__).resolve().parents[2]
pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(LACKING is not None, reason=f"a real loop device {LACKING}"),
]


class Bench:
    """A settings file, a state folder, and the command."""

    def __init__(self, folder: Path) -> None:
        self.state = folder / "state"
        self.config = folder / "midwatch.yaml"
        self.config.write_text(f"box_name: attic\nstate_directory: {self.state}\n")

    def argv(self, drive: LoopDrive, *words: str, serial: str | None = None) -> list[str]:
        named = ("--id", loop_id(str(drive.image)), "--serial", serial or str(drive.image))
        base = [sys.executable, "-m", "watcher.cli", "--config", str(self.config)]
        return [*base, "prove", drive.node or "", *named, *words]

    def prove(self, drive: LoopDrive, *words: str, serial: str | None = None) -> tuple[int, str]:
        done = subprocess.run(
            self.argv(drive, *words, serial=serial),
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=120,
            stdin=subprocess.DEVNULL,
            check=False,
        )
        return done.returncode, done.stdout + done.stderr

    def record(self, drive: LoopDrive) -> ProofFile:
        return ProofFile(self.state, loop_id(str(drive.image)))


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def drive(tmp_path: Path) -> Iterator[LoopDrive]:
    with loop_drives(tmp_path, 1, size_mib=128) as drives:
        yield drives[0]


def untouched(drive: LoopDrive) -> bool:
    return not drive.image.read_bytes()[32 * MIB : 33 * MIB].strip(b"\0")


def content_of(drive: LoopDrive, size: int | None = None) -> str:
    """Give the digest of a drive or of its beginning: a failed comparison stays short."""
    return hashlib.sha256(drive.image.read_bytes()[:size]).hexdigest()


def test_an_empty_drive_is_written_read_back_and_proven(bench: Bench, drive: LoopDrive) -> None:
    status, text = bench.prove(drive)
    assert (status, "PASSED" in text, "ERASED" in text) == (0, True, True), text
    assert not untouched(drive)
    reports = sorted(p.suffix for p in bench.state.joinpath("proofs").glob("*.2*"))
    assert reports == [".svg", ".txt"]


def test_reading_only_leaves_every_byte_as_it_was(bench: Bench, drive: LoopDrive) -> None:
    before = content_of(drive)
    status, text = bench.prove(drive, "--read-only")
    assert (status, "PASSED" in text) == (0, True), text
    assert "writing is not proven" in text
    assert content_of(drive) == before


@pytest.mark.parametrize("serial", ["nope", "/dev/loop0"])
def test_a_wrong_serial_number_is_refused(bench: Bench, drive: LoopDrive, serial: str) -> None:
    status, text = bench.prove(drive, serial=serial)
    assert (status, untouched(drive)) == (5, True)
    assert "is left alone" in text


def partition_table(drive: LoopDrive) -> None:
    """Write a table with one partition, as every partitioning program does (MBR)."""
    entry = bytes([0, 0, 2, 0, 0x83, 0, 0, 0]) + (2048).to_bytes(4, "little")
    at(drive, 0x1BE, entry + (10_000).to_bytes(4, "little") + bytes(48) + b"\x55\xaa")


def md_member(drive: LoopDrive) -> None:
    """Write what makes a member of an md array of version 1.2 (include/uapi/linux/raid/md_p.h)."""
    head = (0xA92B4EFC).to_bytes(4, "little") + (1).to_bytes(4, "little")
    at(drive, 4096, head + bytes(136) + (8).to_bytes(8, "little") + bytes(104))


SIMPLE = {
    "filesystem": ("mkfs.ext4", "-q", "-F"),
    "swap signature": ("mkswap",),
    "btrfs member": ("mkfs.btrfs", "-q", "-f"),
    "LVM physical volume": ("pvcreate", "--force", "--yes"),
}


@contextlib.contextmanager
def holding(kind: str, drive: LoopDrive, folder: Path) -> Iterator[None]:
    """Put a drive to one kind of use, and end it."""
    node = drive.node or ""
    end: list[str] = []
    try:
        if kind in SIMPLE:
            run(*SIMPLE[kind], node)
        elif kind == "partition table":
            partition_table(drive)
        elif kind == "md member":
            md_member(drive)
        elif kind == "mount":
            run("mkfs.ext4", "-q", "-F", node)
            folder.mkdir()
            run("mount", node, folder)
            end = ["umount", str(folder)]
        elif kind == "swap":
            run("mkswap", node)
            run("swapon", node)
            end = ["swapoff", node]
        elif kind == "read-only":
            run("blockdev", "--setro", node)
            end = ["blockdev", "--setrw", node]
        yield
    finally:
        if end:
            run(*end, check=False)


def at(drive: LoopDrive, offset: int, content: bytes) -> None:
    """Write bytes to a place of a loop device, past its file."""
    with Path(drive.node or "").open("r+b") as file:
        file.seek(offset)
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


KINDS = {
    "partition table": "losetup",
    "filesystem": "mkfs.ext4",
    "mount": "mkfs.ext4",
    "swap signature": "mkswap",
    "swap": "swapon",
    "btrfs member": "mkfs.btrfs",
    "LVM physical volume": "pvcreate",
    "md member": "losetup",
    "read-only": "blockdev",
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_drive_in_use_of_any_kind_is_left_alone(
    bench: Bench, drive: LoopDrive, tmp_path: Path, kind: str
) -> None:
    if shutil.which(KINDS[kind]) is None:
        pytest.skip(f"needs {KINDS[kind]}")
    try:
        with holding(kind, drive, tmp_path / "at"):
            # A system short of memory writes into swap behind its first page, as it should.
            size = 4096 if kind == "swap" else None
            before = content_of(drive, size)
            status, text = bench.prove(drive)
            assert (status, "is left alone" in text) == (5, True), text
            assert content_of(drive, size) == before
    except RuntimeError as error:  # this kernel or this tool cannot make that kind of use
        pytest.skip(str(error))


def test_a_drive_that_somebody_opened_for_himself_cannot_be_opened(
    bench: Bench, drive: LoopDrive
) -> None:
    held = os.open(drive.node or "", os.O_RDWR | os.O_EXCL)
    try:
        status, text = bench.prove(drive)
    finally:
        os.close(held)
    assert (status, "for us alone" in text, untouched(drive)) == (5, True, True), text


def killed_at(bench: Bench, drive: LoopDrive, phase: Phase, number: signal.Signals) -> None:
    """Start a burn-in and end it as soon as its record says that a phase is on."""
    process = subprocess.Popen(
        bench.argv(drive),
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        stdin=subprocess.DEVNULL,
    )
    until = time.monotonic() + 60
    while time.monotonic() < until and process.poll() is None:
        record = bench.record(drive)
        kept = record.read() if record.path.exists() else None
        if kept is not None and kept.phase is phase:
            process.send_signal(number)
            break
        time.sleep(0.005)
    process.wait(60)


@pytest.mark.parametrize("phase", [Phase.WRITE, Phase.READ])
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_a_burn_in_that_is_ended_half_way_goes_on_where_it_was(
    bench: Bench, tmp_path: Path, phase: Phase, number: signal.Signals
) -> None:
    with loop_drives(tmp_path, 1, size_mib=250) as (drive,):
        killed_at(bench, drive, phase, number)
        half = bench.record(drive).read()
        assert half is not None
        if half.phase is Phase.DONE:
            pytest.skip("it was through before it could be ended")
        again, text = bench.prove(drive)
        assert (again, "goes on where it was" in text, "PASSED" in text) == (0, True, True), text
        whole = bench.record(drive).read()
        assert whole is not None
        assert whole.begun_at == half.begun_at
        assert whole.resumed == 1


def test_a_place_that_changed_between_writing_and_reading_fails_the_drive(
    bench: Bench, tmp_path: Path
) -> None:
    with loop_drives(tmp_path, 1, size_mib=250) as (drive,):
        killed_at(bench, drive, Phase.READ, signal.SIGKILL)
        half = bench.record(drive).read()
        assert half is not None
        if half.phase is not Phase.READ:
            pytest.skip("it was through before it could be ended")
        at(drive, 200 * MIB, b"damage")
        status, text = bench.prove(drive)
        assert (status, "FAILED" in text) == (10, True), text
        whole = bench.record(drive).read()
        assert whole is not None
        assert [fault.at for fault in whole.faults] == [200 * MIB]
        assert outcome_of(whole).result is Result.FAILED


def test_a_file_cut_short_below_the_drive_is_a_place_that_cannot_be_read(
    bench: Bench, tmp_path: Path
) -> None:
    with loop_drives(tmp_path, 1, size_mib=250) as (drive,):
        killed_at(bench, drive, Phase.READ, signal.SIGKILL)
        half = bench.record(drive).read()
        assert half is not None
        if half.phase is not Phase.READ:
            pytest.skip("it was through before it could be ended")
        os.truncate(drive.image, 240 * MIB)
        status, text = bench.prove(drive)
        assert (status, "FAILED" in text) == (10, True), text


def device_mapper() -> str | None:
    """Say what keeps device-mapper from working here."""
    if shutil.which("dmsetup") is None:
        return "needs dmsetup"
    found = run("dmsetup", "targets", check=False)
    return None if "error" in found else "needs a kernel with device-mapper (dm-error)"


@pytest.mark.skipif(device_mapper() is not None, reason=device_mapper() or "")
def test_a_bad_area_of_device_mapper_is_found_and_narrowed_down(
    tmp_path: Path, drive: LoopDrive
) -> None:
    from watcher.recovery.pattern import Pattern  # noqa: PLC0415 - only where it can run
    from watcher.recovery.proving import Curve  # noqa: PLC0415
    from watcher.service.prove_pass import ReadPass  # noqa: PLC0415
    from watcher.service.raw_device import BlockDevice  # noqa: PLC0415

    table = f"0 65536 linear {drive.node} 0\n65536 8 error\n65544 65528 linear {drive.node} 65544\n"
    subprocess.run(["dmsetup", "create", "prove-test"], input=table, text=True, check=True)
    try:
        device = BlockDevice("/dev/mapper/prove-test", writes=False)
        work = ReadPass(device, time.monotonic, Curve(device.size))
        list(work.run(None, 0))
        device.close()
    finally:
        run("dmsetup", "remove", "--retry", "prove-test", check=False)
    assert [(f.at, f.bytes) for f in work.faults.kept] == [(65536 * 512, 4096)]
    assert Pattern(b"x" * 16) is not None
    assert tmp_path.exists()


def test_two_drives_are_proven_at_once_and_one_twice_is_refused(
    bench: Bench, tmp_path: Path
) -> None:
    with loop_drives(tmp_path, 2, size_mib=64) as (one, other):
        words = bench.argv(one)
        named = [other.node or "", "--id", loop_id(str(other.image)), "--serial", str(other.image)]
        done = subprocess.run(
            [*words, *named],
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=120,
            stdin=subprocess.DEVNULL,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        assert done.stdout.count("PASSED") == 2
        with bench.record(one).alone():
            status, text = bench.prove(one)
        assert (status, "running already" in text) == (5, True)


def test_a_spare_on_the_shelf_is_proven_there(bench: Bench, drive: LoopDrive) -> None:
    base = [sys.executable, "-m", "watcher.cli", "--config", str(bench.config)]
    run(*base, "shelf", "add", drive.node or "")
    status, text = bench.prove(drive)
    assert (status, "noted on the shelf" in text) == (0, True), text
    assert "proven" in run(*base, "shelf")
