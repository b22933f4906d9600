"""What Midwatch costs while nothing happens: a box of eight drives, as one process and in halves.

``python -m tests.bench.idle [SECONDS]``. The daemon is the real one; smartctl is a stand-in on the
PATH that prints an answer of an invented drive. Processor time is that of the daemon and its
ended children without the stand-ins' own (an equal number of them is run alone and taken off).
Memory is PSS (/proc/PID/smaps_rollup): pages shared with other processes count in part, pages of
its own in full. The bare alternative is an empty interpreter.
"""

from __future__ import annotations

import os
import re
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from tests.readers.drive_samples import ata_answer, ata_document, program

ROOT = Path(__file__).resolve().parents[2]
DRIVES = 8
SECONDS = 90.0
EVERY_SECONDS = 600.0  # the usual rhythm, for which the share of a core is told

SETTINGS = """box_name: attic
state_directory: {folder}/state
kernel_log:
  source: none
drives:
{drives}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What was measured."""

    first_survey_seconds: float
    reader_mib: float | None  # None: looked at from the one process
    desk_mib: float
    delivery_mib: float
    look_cpu_seconds: float  # of one look, without smartctl itself
    idle_cpu_share: float  # between the looks
    bare_mib: float

    @property
    def share_of_a_core(self) -> float:
        """Give the average share of a core at one look in ten minutes."""
        return self.look_cpu_seconds / EVERY_SECONDS + self.idle_cpu_share


def pss_mib(pid: int) -> float:
    """Give the memory of a process."""
    text = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii")
    found = re.search(r"^Pss:\s+(\d+) kB", text, re.MULTILINE)
    assert found is not None
    return int(found[1]) / 1024


def cpu_seconds(pid: int) -> float:
    """Give the processor time of a process and its ended children."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(") ")[2].split()
    return sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")


def children(pid: int) -> list[int]:
    """Name the processes that a process started and that live."""
    text = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii")
    found = [int(word) for word in text.split()]
    return [*found, *(below for one in found for below in children(one))]


def prepare(folder: Path) -> Path:
    """Write settings for eight drives, and the stand-in for smartctl."""
    lines = []
    for number in range(DRIVES):
        document = ata_document(serial=f"S{number}")
        document["wwn"]["id"] = number
        (folder / f"x{number}").write_text(ata_answer(document))
        lines.append(f"  - node: /dev/x{number}\n    device_type: sat")
    scan = '{"smartctl":{"version":[7,3],"exit_status":0,"output":[]},"devices":[]}'
    body = (
        'case "$*" in *--scan*) echo \'' + scan + "'; exit 0;; esac\n"
        f"for last; do :; done; exec cat {folder}/${{last##*/}}"
    )
    program(folder, "smartctl", body)
    config = folder / "midwatch.yaml"
    config.write_text(SETTINGS.format(folder=folder, drives="\n".join(lines)), encoding="utf-8")
    return config


def stand_in_seconds(folder: Path) -> float:
    """Give the processor time of the stand-ins of one look."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    for number in range(DRIVES):
        subprocess.run([folder / "smartctl", f"/dev/x{number}"], capture_output=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def bare_mib() -> float:
    """Give the memory of an empty interpreter."""
    with subprocess.Popen(
        [sys.executable, "-c", "input()"], stdin=subprocess.PIPE, cwd=ROOT
    ) as empty:
        time.sleep(1)
        found = pss_mib(empty.pid)
        empty.communicate(b"\n")
    return found


class Running:
    """The daemon, and its reader where it has one."""

    def __init__(self, folder: Path, config: Path, *, halves: bool) -> None:
        path = f"{folder}{os.pathsep}{os.environ['PATH']}"
        self._environ = {**os.environ, "PATH": path, "PYTHONUNBUFFERED": "1"}
        self._midwatch = [sys.executable, "-m", "watcher.cli", "--config", str(config)]
        self.reader: subprocess.Popen[str] | None = None
        words: tuple[str, ...] = ("watch",)
        if halves:
            self.reader = self._start("reader", "--socket", str(folder / "sock"))
            assert self.reader.stdout is not None
            self.reader.stdout.readline()
            words = ("watch", "--reader", str(folder / "sock"))
        begin = time.monotonic()
        self.desk = self._start(*words)
        self.first_seconds = 0.0
        assert self.desk.stdout is not None
        for line in self.desk.stdout:
            if line.startswith("Watching."):
                self.first_seconds = time.monotonic() - begin
                break

    def _start(self, *words: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [*self._midwatch, *words],
            cwd=ROOT,
            env=self._environ,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    @property
    def lookers(self) -> list[int]:
        """Name the processes that the service consists of, its delivery apart."""
        return [one.pid for one in (self.reader, self.desk) if one is not None]

    def everything(self) -> list[int]:
        """Name all processes."""
        return [*self.lookers, *(below for one in self.lookers for below in children(one))]

    def end(self) -> None:
        """Stop all."""
        for one in (self.desk, self.reader):
            if one is not None:
                one.terminate()
                one.communicate(timeout=60)


def measure(seconds: float = SECONDS, *, halves: bool) -> Cost:
    """Run the daemon for some time with nothing to do, then have it look once more."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = prepare(folder)
        running = Running(folder, config, halves=halves)
        try:
            time.sleep(75)  # an early second look follows what the first one found
            before = sum(map(cpu_seconds, running.everything()))
            time.sleep(seconds)
            after = sum(map(cpu_seconds, running.everything()))
            running.desk.send_signal(1)  # SIGHUP: look now
            time.sleep(8)
            looked = sum(map(cpu_seconds, running.everything()))
            below = children(running.desk.pid)
            return Cost(
                first_survey_seconds=running.first_seconds,
                reader_mib=None if running.reader is None else pss_mib(running.reader.pid),
                desk_mib=pss_mib(running.desk.pid),
                delivery_mib=sum(map(pss_mib, below)),
                look_cpu_seconds=max(0.0, looked - after - stand_in_seconds(folder)),
                idle_cpu_share=(after - before) / seconds,
                bare_mib=bare_mib(),
            )
        finally:
            running.end()


def main() -> None:
    """Print the figures."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    for halves in (False, True):
        found = measure(seconds, halves=halves)
        reader = "" if found.reader_mib is None else f"reader {found.reader_mib:.1f} MiB, "
        print("in halves" if halves else "as one process")
        print(
            f"  memory: {reader}desk {found.desk_mib:.1f} MiB, delivery "
            f"{found.delivery_mib:.1f} MiB; an empty interpreter {found.bare_mib:.1f} MiB\n"
            f"  first survey after {found.first_survey_seconds:.2f} s\n"
            f"  a look {found.look_cpu_seconds:.3f} s of CPU, between looks "
            f"{found.idle_cpu_share:.3%} of a core; together {found.share_of_a_core:.3%}"
        )


if __name__ == "__main__":
    main()
