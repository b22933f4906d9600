"""What one drive poll costs, against the bare smartctl run that it makes.

Run: ``python -m tests.bench.drive_poll``. Prints a table; ends with status 1 when a target is
missed.

No real drive is at hand here, so smartctl is a stand-in: a shell program that starts the real
smartctl (on no drive: it loads its drive table, which is what a run costs before a drive is
touched) and then prints a made answer of an invented drive, with as many attributes as common
drives have. What Midwatch adds is the CPU of a poll less that of starting the same stand-in from
Python and dropping its output; it is held against one start of the real smartctl alone, so that
the shell of the stand-in does not flatter the ratio. CPU is user and system time of this process
and its ended children.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from tests.readers.drive_samples import (
    ROWS,
    answer,
    ata_answer,
    ata_document,
    program,
    recorded,
)
from watcher.facts.drive import DriveReading, Unread
from watcher.readers.drive_target import DriveTarget
from watcher.readers.drives import read_all
from watcher.readers.runner import RealHost
from watcher.readers.smartctl import command, read_drive

NOW = datetime(2026, 11, 25, tzinfo=UTC)
POLLS = 150
ROUNDS = 5
WANTED_RATIO = 1.10
HUNG_LIMIT_SECONDS = 5.0
DRIVES = 24


def _cpu() -> float:
    """Give the CPU seconds of this process and its ended children."""
    own = resource.getrusage(resource.RUSAGE_SELF)
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    return own.ru_utime + own.ru_stime + ended.ru_utime + ended.ru_stime


def _cost(what: Callable[[], object]) -> float:
    """Give CPU milliseconds for one call."""
    what()
    before = _cpu()
    for _ in range(POLLS):
        what()
    return (_cpu() - before) / POLLS * 1000


def _ata() -> str:
    """Make an answer with 22 attributes."""
    more = tuple((n, f"Made_Attribute_{n}", 100, 100, 0, n, str(n)) for n in range(200, 212))
    return ata_answer(ata_document((*ROWS, *more)))


def _nvme() -> str:
    """Join a recorded answer and its text."""
    document = json.loads(recorded("nvme-warning-02.json"))
    return answer(document, recorded("nvme-warning-02.txt").splitlines())


def _bare(argv: tuple[str, ...]) -> bytes:
    """Run the stand-in as any program would, and throw its output away."""
    return subprocess.run(argv, stdin=subprocess.DEVNULL, capture_output=True, check=False).stdout


def _ratio(folder: Path, real: str, name: str, text: str) -> bool:
    """Print one row; tell whether the target is met."""
    (folder / "answer").write_text(text)
    start = (real, "-i", "-d", "test", "/dev/null")
    program(folder, "smartctl", f"{' '.join(start)} >/dev/null 2>&1\nexec cat {folder}/answer")
    host = RealHost()
    target = DriveTarget(node="/dev/sdb", device_type="sat")
    argv = (str(folder / "smartctl"), *command(target)[1:])
    assert isinstance(read_drive(host, target, observed_at=NOW), DriveReading)
    alone, bare, poll = (
        min(_cost(what) for _ in range(ROUNDS))  # other work on the machine only ever adds
        for what in (
            lambda: _bare(start),
            lambda: _bare(argv),
            lambda: read_drive(host, target, observed_at=NOW),
        )
    )
    added = poll - bare
    ratio = (alone + added) / alone
    met = ratio <= WANTED_RATIO
    print(f"{name:<6} smartctl {alone:6.2f} ms   added {added:5.2f} ms   ratio {ratio:5.2f}   "
          f"{'met' if met else 'MISSED'} (at most {WANTED_RATIO:.2f})")  # fmt: skip
    return met


def survey_of_many(folder: Path) -> tuple[float, float]:
    """Give how long a survey of many drives takes, and how long with one that hangs.

    The stand-in for smartctl is put into the folder, which must be on the PATH.
    """
    targets = [DriveTarget(node=f"/dev/x{n:02d}", device_type="sat") for n in range(DRIVES)]
    for number, target in enumerate(targets):
        document = ata_document(serial=f"S{number}")
        document["wwn"]["id"] = number
        (folder / Path(target.node).name).write_text(ata_answer(document))
    body = f"for last; do :; done; cat {folder}/$(basename $last) 2>/dev/null || sleep 600"
    program(folder, "smartctl", body)
    host = RealHost()
    took = []
    for missing in (None, "x07"):
        if missing:
            (folder / missing).unlink()
        started = time.monotonic()
        readings, unread = read_all(
            host, targets, observed_at=NOW, limit_seconds=HUNG_LIMIT_SECONDS
        )
        took.append(time.monotonic() - started)
        hung = [one for one in unread if one.why is Unread.HUNG]
        assert (len(readings), len(hung)) == (DRIVES - len(hung), 1 if missing else 0)
    return took[0], took[1]


def _hung(folder: Path) -> bool:
    """Print how long a survey of many drives takes with one that hangs."""
    took = survey_of_many(folder)
    met = took[1] <= HUNG_LIMIT_SECONDS + 1
    print(f"{DRIVES} drives   all good {took[0]:5.2f} s   one hung {took[1]:5.2f} s   "
          f"{'met' if met else 'MISSED'} (no longer than its limit of {HUNG_LIMIT_SECONDS:.0f} s "
          "and 1 s to end it)")  # fmt: skip
    return met


def main() -> int:
    """Print the table."""
    real = shutil.which("smartctl", path=f"/usr/sbin:/sbin:{os.environ['PATH']}")
    if real is None:
        print("skipped: no smartctl here (package smartmontools)")
        return 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["PATH"] = f"{folder}{os.pathsep}{os.environ['PATH']}"
        met = [
            _ratio(folder, real, "ATA", _ata()),
            _ratio(folder, real, "NVMe", _nvme()),
            _hung(folder),
        ]
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
