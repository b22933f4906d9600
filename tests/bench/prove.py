"""How fast the burn-in writes and reads back, beside dd with direct I/O on the same loop device.

    python -m tests.bench.prove [SIZE_MIB] [ROUNDS]

Needs root and loop devices. dd and the burn-in take turns in one run, so that both meet the same
machine; the median of what each pair gives is compared, and the least processor time of a round is
told. The promise: at least 90% of dd's speed in both directions, although every piece is made, and
compared when it is read back.

Three kinds of device: a loop device held to the speed of the outermost tracks of a large disk (by a
blkio control group, where there is one), and the same as fast as what is below it: for both the
promise is made; and one through the page cache, as fast as memory, which no drive reaches and which
shows what a piece costs us.
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import NamedTuple

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


class Round(NamedTuple):
    """What one pass took."""

    seconds: float
    processor: float  # seconds of it, the kernel's included

    @classmethod
    def of(cls, run: Callable[[], float]) -> Round:
        """Measure one pass, in this process or in a child."""
        before = processor_seconds()
        seconds = run()
        return cls(seconds, processor_seconds() - before)


def processor_seconds() -> float:
    """Give what this process and its ended children have used."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


class Beside(NamedTuple):
    """What dd and the burn-in took, in the same order."""

    theirs: list[Round]
    mine: list[Round]

    @property
    def share(self) -> float:
        """How fast we were, as a part of dd's speed: the median of the pairs."""
        pairs = zip(self.theirs, self.mine, strict=True)
        return statistics.median(dd.seconds / ours.seconds for dd, ours in pairs)

    def told(self, word: str, size: int) -> str:
        """Give the line that is printed."""
        speeds = [size / statistics.median(r.seconds for r in one) / 1e6 for one in self]
        costs = [min(r.processor for r in one) / size * 2**30 for one in self]
        return (
            f"  {word:10} dd {speeds[0]:6.0f} MB/s {costs[0]:5.2f} s/GiB   "
            f"burn-in {speeds[1]:6.0f} MB/s {costs[1]:5.2f} s/GiB   {self.share:.0%}"
        )


def measure(
    size_mib: int, rounds: int, *, direct: bool = True, disk: bool = False
) -> dict[str, Beside]:
    """Give for each direction what dd and the burn-in took."""
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
        found: dict[str, Beside] = {}
        slowed = disk and throttled(node)
        if disk and not slowed:
            subprocess.run(["losetup", "--detach", node], check=False)
            return {}
        kind = "at the speed of a disk" if slowed else f"direct I/O to the file: {is_direct}"
        print(f"{node}, {size_mib} MiB, {kind}, load {os.getloadavg()[0]:.1f}")
        try:
            for word, writes in (("write", True), ("read back", False)):
                beside = found[word] = Beside([], [])
                if not writes:
                    ours(node, writes=True)
                for number in range(rounds):
                    pair = list(zip((dd, ours), beside, strict=True))
                    for run, into in pair if number % 2 else reversed(pair):
                        into.append(Round.of(partial(run, node, writes=writes)))
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
        for word, beside in measure(size_mib, rounds, direct=direct, disk=disk).items():
            holds = holds and (beside.share >= PROMISE or not direct)
            print(beside.told(word, size_mib * MIB), flush=True)
    return 0 if holds else 1


if __name__ == "__main__":
    sys.exit(main())
