"""When the drive under a mapped file dies: a sentence and a status, or a new beginning.

The fault is real: of a file that was cut under its mapping the kernel can give no page (mmap(2),
SIGBUS), as it cannot of one whose drive is gone.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

PROGRAM = """
import ctypes, os, pathlib, sys
from watcher.service.bus_error import begin_anew, say_and_end
from watcher.store.database import open_store
from tests.store.made import NOW

if len(sys.argv) > 3 and sys.argv[3] == "strict":  # as MemoryDenyWriteExecute= has it
    ctypes.CDLL(None).prctl(65, 1, 0, 0, 0)
path, how = pathlib.Path(sys.argv[1]), sys.argv[2]
if how == "ends":
    say_and_end(path)
elif how == "young":
    begin_anew(path)
elif path.exists():
    print("a new beginning", os.getpid(), flush=True)
    how = "ends" if how == "twice" else "done"
    begin_anew(path)
else:
    times = iter((0.0, 1000.0))
    begin_anew(path, now=lambda: next(times))
    print("beginning", os.getpid(), flush=True)
if how == "done":
    sys.exit(0)
store = open_store(path, now=NOW)
os.truncate(f"{path}-shm", 0)
with store.transaction() as tx:
    tx.told_or_said()
print("not reached")
"""


def run(path: Path, *how: str) -> subprocess.CompletedProcess[str]:
    """Run the program, from a file, so that its own words can be run again."""
    program = path.with_name("program.py")
    program.write_text(PROGRAM, encoding="utf-8")
    return subprocess.run(
        [sys.executable, str(program), str(path), *how],
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize("strict", ["", "strict"])
def test_a_command_says_what_happened_and_ends_with_its_status(tmp_path: Path, strict: str) -> None:
    path = tmp_path / "m.db"
    done = run(path, "ends", strict)
    assert (done.returncode, done.stdout) == (4, "")
    words = " ".join(done.stderr.split())
    assert words.startswith(f"A drive failed under {path}, or under midwatch itself"), words
    assert "Where the watch runs, it goes on in memory" in words
    assert "Bus error" not in words


@pytest.mark.parametrize("strict", ["", "strict"])
def test_a_watch_begins_anew_in_its_own_place(tmp_path: Path, strict: str) -> None:
    """The process stays, so that whoever started it notices nothing."""
    done = run(tmp_path / "m.db", "anew", strict)
    assert done.returncode == 0, done.stderr
    first, second = done.stdout.splitlines()
    assert first.split()[-1] == second.split()[-1]
    assert second.startswith("a new beginning")
    assert done.stderr.rstrip().endswith("The watch begins anew.")


def test_the_next_fault_is_answered_too_and_not_without_end(tmp_path: Path) -> None:
    """Soon after its beginning it ends, for it would do so again and again."""
    done = run(tmp_path / "m.db", "twice")
    assert done.returncode == 4, done.stderr
    assert len(done.stdout.splitlines()) == 2
    assert done.stderr.rstrip().endswith("The watch ends.")


def test_one_that_has_hardly_begun_ends_with_the_status(tmp_path: Path) -> None:
    done = run(tmp_path / "m.db", "young")
    assert (done.returncode, done.stdout) == (4, "")
    assert done.stderr.rstrip().endswith("The watch ends.")
