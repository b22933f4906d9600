"""The real machine, with real programs that this file writes."""

from __future__ import annotations

import os
import signal
import stat
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from watcher.readers.host import Ended
from watcher.readers.runner import RealHost, _kill_session


def program(folder: Path, name: str, body: str) -> str:
    """Write a small shell program and give its path."""
    path = folder / name
    path.write_text(f"#!/bin/sh\n{body}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return str(path)


def test_a_program_that_ends_gives_status_and_both_outputs(tmp_path: Path) -> None:
    ran = RealHost().run((program(tmp_path, "p", "echo out; echo err >&2; exit 4"),))
    assert (ran.ended, ran.status, ran.stdout, ran.stderr) == (Ended.EXITED, 4, "out\n", "err\n")


def test_a_program_speaks_plain_english_and_reads_nothing(tmp_path: Path) -> None:
    ran = RealHost().run((program(tmp_path, "p", "echo $LC_ALL; cat; echo end"),))
    assert ran.stdout == "C\nend\n"


def test_programs_that_tell_times_without_a_zone_tell_them_in_utc(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Their readers take them so: west of Greenwich a scrub after a rebuild would else count
    as one before it, and prove nothing. All others keep the zone of the box."""
    monkeypatch.setenv("TZ", "America/Vancouver")
    for name, zone in (("zpool", "UTC"), ("btrfs", "UTC"), ("mdadm", "UTC"), ("date", "")):
        ran = RealHost().run((program(tmp_path, name, "echo $TZ"),))
        assert ran.stdout.strip() == (zone or "America/Vancouver")


def test_arguments_reach_a_program_as_they_are(tmp_path: Path) -> None:
    path = program(tmp_path, "p", 'for a in "$@"; do echo "[$a]"; done')
    assert RealHost().run((path, "a b", "$(id)", "*")).stdout == "[a b]\n[$(id)]\n[*]\n"


def test_undecodable_bytes_are_replaced(tmp_path: Path) -> None:
    ran = RealHost().run((program(tmp_path, "p", r"printf 'a\377b'"),))
    assert ran.stdout == "a\N{REPLACEMENT CHARACTER}b"


def test_a_missing_program_is_missing() -> None:
    assert RealHost().run(("no-such-program-here",)).ended is Ended.MISSING


def test_a_program_with_a_missing_interpreter_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "p"
    path.write_text("#!/no/such/interpreter\n")
    path.chmod(0o755)
    assert RealHost().run((str(path),)).ended is Ended.MISSING


def test_a_file_that_may_not_be_run_is_forbidden(tmp_path: Path) -> None:
    path = tmp_path / "p"
    path.write_text("echo\n")
    assert RealHost().run((str(path),)).ended is Ended.FORBIDDEN


def test_an_argument_that_cannot_be_passed_is_an_answer_and_no_error() -> None:
    assert RealHost().run(("echo", "a\0b")).ended is Ended.FORBIDDEN


def test_a_slow_program_is_killed_with_all_that_it_started(tmp_path: Path) -> None:
    path = program(tmp_path, "p", f"sleep 60 & echo $! > {tmp_path}/child; wait")
    ran = RealHost().run((path,), limit_seconds=0.5)
    assert ran.ended is Ended.TIMED_OUT
    assert ran.seconds < 5
    child = int((tmp_path / "child").read_text())
    until = time.monotonic() + 5
    while time.monotonic() < until and _runs(child):
        os.sched_yield()
    assert not _runs(child)


def test_what_is_abandoned_ends_as_if_its_time_were_up_and_later_programs_run(
    tmp_path: Path,
) -> None:
    host = RealHost()
    path = program(tmp_path, "p", f"echo $$ > {tmp_path}/pid; exec sleep 60")
    with ThreadPoolExecutor() as pool:
        slow = pool.submit(host.run, (path,))
        while not (tmp_path / "pid").exists() or not (tmp_path / "pid").read_text().strip():
            assert not slow.done()
        host.abandon()
        ran = slow.result(timeout=20)
    assert ran.ended is Ended.TIMED_OUT
    assert not _runs(int((tmp_path / "pid").read_text()))
    assert host.run(("echo", "here")).stdout == "here\n"


def _runs(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


def test_a_pipe_that_stays_open_is_not_a_whole_answer(tmp_path: Path) -> None:
    ran = RealHost().run((program(tmp_path, "p", "echo half; sleep 60 &"),), limit_seconds=0.5)
    assert ran.ended is Ended.TIMED_OUT


def test_a_program_killed_by_a_signal_says_which(tmp_path: Path) -> None:
    ran = RealHost().run((program(tmp_path, "p", "kill -SEGV $$"),))
    assert (ran.ended, ran.status) == (Ended.KILLED, -signal.SIGSEGV)


def test_endless_output_is_cut_off(tmp_path: Path) -> None:
    host = RealHost(output_limit_bytes=100_000)
    ran = host.run((program(tmp_path, "p", "yes"),), limit_seconds=20)
    assert ran.ended is Ended.TOO_LONG
    assert len(ran.stdout) < 1_000_000


def test_a_program_that_cannot_be_killed_blocks_its_lane_only(tmp_path: Path) -> None:
    """A wait inside the kernel is played by a killer that does nothing."""
    host = RealHost(kill=lambda _pid: None, grace_seconds=0.1)
    path = program(
        tmp_path, "p", f"echo x >> {tmp_path}/starts; echo $$ > {tmp_path}/pid; sleep 60"
    )
    assert host.run((path,), limit_seconds=0.5, lane="/dev/sda").ended is Ended.STUCK
    again = host.run((path,), limit_seconds=0.5, lane="/dev/sda")
    assert again.ended is Ended.STUCK
    assert again.seconds < 0.2
    assert (tmp_path / "starts").read_text() == "x\n"
    assert host.run(("echo", "fine"), lane="/dev/sdb").stdout == "fine\n"
    pid = int((tmp_path / "pid").read_text())
    os.killpg(pid, signal.SIGKILL)
    until = time.monotonic() + 5
    while time.monotonic() < until and _runs(pid):
        os.sched_yield()
    assert host.run(("echo", "free"), lane="/dev/sda").stdout == "free\n"


def test_files_folders_and_links_are_read(tmp_path: Path) -> None:
    (tmp_path / "b").write_bytes(b"t\xff")
    (tmp_path / "a").symlink_to("b")
    host = RealHost()
    assert host.read_text(str(tmp_path / "a")) == "t\N{REPLACEMENT CHARACTER}"
    assert host.list_dir(str(tmp_path)) == ("a", "b")
    assert host.real_path(str(tmp_path / "a")) == str(tmp_path / "b")
    assert host.real_path("/no/such") == "/no/such"
    assert host.exists(str(tmp_path / "a"))
    assert not host.exists(str(tmp_path / "c"))
    with pytest.raises(FileNotFoundError):
        host.read_text(str(tmp_path / "c"))


def test_a_file_past_the_limit_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "f").write_text("12345")
    monkeypatch.setattr("watcher.readers.runner.FILE_LIMIT_BYTES", 4)
    with pytest.raises(OSError, match="larger than 4 bytes"):
        RealHost().read_text(str(tmp_path / "f"))


def test_a_path_that_cannot_be_is_not_there() -> None:
    host = RealHost()
    assert not host.exists("a\0b")
    assert host.real_path("a\0b") == "a\0b"


def test_a_second_program_waits_for_the_first_in_its_lane(tmp_path: Path) -> None:
    """Two threads ask about one drive: the programs do not run at the same time."""
    path = program(
        tmp_path,
        "p",
        f"cd {tmp_path}; [ -e busy ] && echo both; touch busy; sleep 0.2; rm busy",
    )
    host = RealHost()
    with ThreadPoolExecutor() as pool:
        answers = list(pool.map(lambda _: host.run((path,), lane="/dev/sda"), range(3)))
    assert [(ran.ended, ran.stdout) for ran in answers] == [(Ended.EXITED, "")] * 3


def test_a_busy_lane_is_not_waited_for_longer_than_the_limit(tmp_path: Path) -> None:
    path = program(tmp_path, "p", f"touch {tmp_path}/begun; sleep 60")
    host = RealHost()
    with ThreadPoolExecutor() as pool:
        first = pool.submit(host.run, (path,), limit_seconds=2, lane="/dev/sda")
        while not (tmp_path / "begun").exists():
            os.sched_yield()
        second = host.run(("true",), limit_seconds=0.1, lane="/dev/sda")
        assert (second.ended, first.result().ended) == (Ended.STUCK, Ended.TIMED_OUT)
    assert "still works on this" in second.stderr


def test_a_program_that_ends_just_before_it_is_killed_is_no_error(tmp_path: Path) -> None:
    """The killer meets a session that is gone already."""
    kept: list[int] = []

    def kill(pid: int) -> None:
        os.killpg(pid, signal.SIGKILL)
        os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT)
        kept.append(pid)
        _kill_session(2**22 + 1)  # beyond the largest process number

    ran = RealHost(kill=kill).run((program(tmp_path, "p", "sleep 60"),), limit_seconds=0.3)
    assert (ran.ended, len(kept)) == (Ended.TIMED_OUT, 1)


def test_a_path_through_a_file_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "f").write_text("")
    host = RealHost()
    assert not host.exists(f"{tmp_path}/f/g")
    assert not host.exists("/" + "x" * 5000)
