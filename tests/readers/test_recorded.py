"""A machine that is not here answers as it did, and what was not recorded is not there."""

from __future__ import annotations

from pathlib import Path

import pytest

from watcher.readers.host import Ended, Ran
from watcher.readers.recorded import RecordedHost, RecordingHost
from watcher.readers.runner import RealHost


def test_a_recorded_program_answers_with_its_status() -> None:
    host = RecordedHost(programs={("lsblk", "--json"): (1, "out", "err")})
    assert host.run(("lsblk", "--json")) == Ran(
        argv=("lsblk", "--json"), ended=Ended.EXITED, status=1, stdout="out", stderr="err"
    )


def test_an_unknown_program_is_missing_and_not_empty() -> None:
    host = RecordedHost(programs={("lsblk",): (0, "", "")})
    assert host.run(("lsblk", "--json")).ended is Ended.MISSING


def test_folders_follow_from_files_and_links() -> None:
    host = RecordedHost(
        files={"/sys/devices/x/sda/size": "8\n"},
        links={"/sys/block/sda": "../devices/x/sda", "/sys/block/sdb": "../devices/y/sdb"},
    )
    assert host.list_dir("/sys/block") == ("sda", "sdb")
    assert host.read_text("/sys/block/sda/size") == "8\n"
    assert host.real_path("/sys/block/sda") == "/sys/devices/x/sda"
    assert host.exists("/sys/block/sda/size")
    assert not host.exists("/sys/block/sdb")
    with pytest.raises(FileNotFoundError):
        host.read_text("/sys/block/sdb/size")


def test_refusals_are_replayed() -> None:
    host = RecordedHost(denied=["/dev/kmsg"])
    assert host.exists("/dev/kmsg")
    with pytest.raises(PermissionError):
        host.read_text("/dev/kmsg")


def test_links_in_a_ring_end() -> None:
    host = RecordedHost(links={"/a": "/b", "/b": "/a"})
    assert not host.exists("/a/c")


def test_what_was_recorded_is_replayed_the_same(tmp_path: Path) -> None:
    (tmp_path / "d").mkdir()
    (tmp_path / "d" / "f").write_text("text")
    (tmp_path / "l").symlink_to("d")
    recording = RecordingHost(RealHost())
    looks = [
        lambda host: host.run(("echo", "hello")).stdout,
        lambda host: host.list_dir(f"{tmp_path}/d"),
        lambda host: host.read_text(f"{tmp_path}/l/f"),
        lambda host: host.real_path(f"{tmp_path}/l"),
        lambda host: host.exists(f"{tmp_path}/l"),
        lambda host: host.exists(f"{tmp_path}/none"),
    ]
    before = [look(recording) for look in looks]
    replay = recording.replay()
    assert [look(replay) for look in looks] == before


def test_a_recorded_refusal_is_refused_again() -> None:
    recording = RecordingHost(RecordedHost(denied=["/secret", "/folder"], folders={"/folder": []}))
    for look in (recording.read_text, recording.list_dir):
        with pytest.raises(PermissionError):
            look("/secret")
        with pytest.raises(PermissionError):
            look("/folder")
    replay = recording.replay()
    with pytest.raises(PermissionError):
        replay.read_text("/secret")


def test_a_file_is_no_folder_and_a_folder_no_file() -> None:
    host = RecordedHost(files={"/d/f": ""})
    with pytest.raises(IsADirectoryError):
        host.read_text("/d")
    with pytest.raises(NotADirectoryError):
        host.list_dir("/d/f")
    with pytest.raises(FileNotFoundError):
        host.list_dir("/e")
