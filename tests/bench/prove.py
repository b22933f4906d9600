"""How fast the burn-in writes and reads back, beside dd with direct I/O on the same loop device.

    python -m tests.bench.prove [SIZE_MIB] [ROUNDS]

Needs root and loop devices. dd and the burn-in take turns in one run, so that both meet the same
machine; the medians are compared. The promise: at least 90% of dd's speed in both directions,
although every piece is made, and compared when it is read back.

Three kinds of device: a loop device held to the speed of the outermost tracks of a large disk (by a
blkio control group, where there is one), for which the promise is made; the same as fast as what is
below it; and one in memory, which no drive reaches and which shows what a piece costs us.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from watcher.recovery.pattern import NOISE_BYTES, Pattern
from watcher.recovery.proving import Curve
from watcher.service.prove_pass import ReadPass, WritePass
from watcher.service.raw_device import BlockDevice

MIB = 1024 * 1024
PROMISE = 0.9


def dd(node: str, *, writes: bool) -> float:
    """Let dd pass over the device; seconds."""
    there = (
        ["if=/dev/zero", f"of={node}", "oflag=direct", "conv=fsync"]
        if writes
        else [f"if={node}", "of=/dev/null", "iflag=direct"]
    )
    size = Path("/sys/class/block", node.removeprefix("/dev/"), "size").read_text()
    count = int(size) * 512 // NOISE_BYTES
    began = time.perf_counter()
    subprocess.run(["dd", f"bs={NOISE_BYTES}", f"count={count}", "status=none", *there], check=True)
    return time.perf_counter() - began


def ours(node: str, *, writes: bool) -> float:
    """Pass over the device as the burn-in does; seconds. A fault would be an error here."""
    pattern = Pattern(b"bench-bench-bench")
    device = BlockDevice(node, writes=writes)
    began = time.perf_counter()
    work = (WritePass if writes else ReadPass)(device, time.perf_counter, Curve(device.size))
    for _ in work.run(pattern, 0):
        continue
    if writes:
        device.flush()
    seconds = time.perf_counter() - began
    device.close()
    if work.faults.count:
        raise RuntimeError(work.faults.kept[0].text)
    return seconds


def attach(image: Path) -> tuple[str, bool]:
    """Attach a file, with direct I/O where that works."""
    for words in (["--direct-io=on"], []):
        done = subprocess.run(
            ["losetup", "--find", "--show", *words, image],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode == 0:
            node = done.stdout.strip()
            dio = Path("/sys/block", node.removeprefix("/dev/"), "loop/dio").read_text().strip()
            return node, dio == "1"
    raise RuntimeError(done.stderr)


GROUP = Path("/sys/fs/cgroup/blkio/midwatch-bench")
DISK_SPEED = 270_000_000
"""Bytes per second of the outermost tracks of a large disk (REFERENCES 5.7)."""


def throttled(node: str) -> bool:
    """Hold a device to the speed of a disk, for this process and its children; False: cannot."""
    numbers = Path("/sys/class/block", node.removeprefix("/dev/"), "dev").read_text().strip()
    try:
        GROUP.mkdir(exist_ok=True)
        for word in ("read", "write"):
            rule = GROUP / f"blkio.throttle.{word}_bps_device"
            rule.write_text(f"{numbers} {DISK_SPEED}")
        (GROUP / "cgroup.procs").write_text(str(os.getpid()))
    except OSError as error:
        print(f"  (not measured at the speed of a disk: {error})")
        return False
    return True


def freed(node: str) -> None:
    """Let the device be as fast as it is again."""
    numbers = Path("/sys/class/block", node.removeprefix("/dev/"), "dev").read_text().strip()
    for word in ("read", "write"):
        (GROUP / f"blkio.throttle.{word}_bps_device").write_text(f"{numbers} 0")
    (GROUP.parent / "cgroup.procs").write_text(str(os.getpid()))
    GROUP.rmdir()


def measure(
    size_mib: int, rounds: int, *, direct: bool = True, disk: bool = False
) -> dict[str, tuple[float, float]]:
    """Give for each direction the median speed of dd and ours, in bytes per second."""
    with tempfile.TemporaryDirectory(dir="/var/tmp") as folder:
        image = Path(folder, "drive.img")
        subprocess.run(
            ["dd", "if=/dev/zero", f"of={image}", f"bs={MIB}", f"count={size_mib}", "status=none",
             "conv=fsync"],
            check=True,
        )  # fmt: skip
        node, is_direct = attach(image)
        if not direct:
            subprocess.run(["losetup", "--direct-io=off", node], check=True)
            is_direct = False
        found: dict[str, tuple[float, float]] = {}
        slowed = disk and throttled(node)
        if disk and not slowed:
            subprocess.run(["losetup", "--detach", node], check=False)
            return {}
        kind = "at the speed of a disk" if slowed else f"direct I/O to the file: {is_direct}"
        print(f"{node}, {size_mib} MiB, {kind}, load {os.getloadavg()[0]:.1f}")
        try:
            for word, writes in (("write", True), ("read back", False)):
                theirs, mine = [], []
                if not writes:
                    ours(node, writes=True)
                for number in range(rounds):
                    pair = [(dd, theirs), (ours, mine)]
                    for run, into in pair if number % 2 else reversed(pair):
                        if not writes and run is dd:
                            into.append(dd(node, writes=False))
                        else:
                            into.append(run(node, writes=writes))
                size = size_mib * MIB
                found[word] = (size / statistics.median(theirs), size / statistics.median(mine))
        finally:
            if slowed:
                freed(node)
            subprocess.run(["losetup", "--detach", node], check=False)
    return found


def main() -> int:
    """Measure and print; status 1 when the promise does not hold."""
    size_mib = int(sys.argv[1]) if len(sys.argv) > 1 else 2048
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    holds = True
    for direct, disk in ((True, True), (True, False), (False, False)):
        for word, (theirs, mine) in measure(size_mib, rounds, direct=direct, disk=disk).items():
            share = mine / theirs
            holds = holds and (share >= PROMISE or not disk)
            print(
                f"  {word:10} dd {theirs / 1e6:6.0f} MB/s   burn-in {mine / 1e6:6.0f} MB/s   "
                f"{share:.0%}"
            )
    return 0 if holds else 1


if __name__ == "__main__":
    sys.exit(main())
