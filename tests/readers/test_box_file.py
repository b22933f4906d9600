"""A box in one file answers as the box itself did."""

from __future__ import annotations

import errno
import json
import os
import re
import stat
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

from watcher.facts.identity import BoxId
from watcher.facts.pool import Role
from watcher.readers import archive, box_file
from watcher.readers.box_file import BoxFile
from watcher.readers.discovery import ToldDrive
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.host import Ended, Ran
from watcher.readers.pools.declared import DeclaredMember, DeclaredPool
from watcher.readers.recorded import RecordedHost
from watcher.readers.survey import Looking

AT = datetime(2026, 3, 2, 12, tzinfo=UTC)
ANY = re.compile(r"[a-z./0-9]+")

BOX = BoxFile(
    taken_at=AT,
    looking=Looking(
        box=BoxId("attic"),
        told=(ToldDrive(serial="PLOUGH0001", bay="top left", device_type="sat"),),
        declared=(
            DeclaredPool(
                name="barn",
                members=(
                    DeclaredMember(name="PLOUGH0001"),
                    DeclaredMember(name="PLOUGH0002", role=Role.PARITY),
                ),
                bears=1,
            ),
        ),
        kernel_log="kmsg",
    ),
    written_by="0.1.0",
    programs={
        ("smartctl", "-a", "/dev/sda"): Ran(
            argv=("smartctl", "-a", "/dev/sda"),
            ended=Ended.EXITED,
            status=4,
            stdout="a report\r\nwith “signs” and \x01\n",
            stderr="a word\n",
            seconds=0.25,
        ),
        ("zpool", "status"): Ran(argv=("zpool", "status"), ended=Ended.MISSING),
    },
    files={"/proc/mdstat": "Personalities :\n", "/sys/empty": ""},
    links={"/dev/disk/by-id/x": "/dev/sda"},
    folders={"/sys/block": ("sda", "sdb")},
    denied=frozenset({"/dev/kmsg"}),
    failing={"/sys/block/sdb/size": errno.EIO},
    ring=(b"6,1,5,-;one", b"6,2,9,-;two\n DEVICE=b8:0"),
    log=errno.ENOENT,
)


def with_manifest(change: Any) -> bytes:
    """Pack the box, with its manifest changed."""
    members = archive.parse(box_file.pack(BOX), ANY)
    manifest = json.loads(members["manifest.json"])
    changed = change(manifest) or manifest
    members["manifest.json"] = json.dumps(changed).encode()
    return archive.pack(members, AT)


def test_a_box_is_read_as_it_was_written() -> None:
    assert box_file.parse(box_file.pack(BOX)) == BOX


def test_a_box_whose_midwatch_asked_for_less_is_read_all_the_same() -> None:
    """Who helps has the newer one as a rule: it asks for more pages, and more columns."""
    older: dict[tuple[str, ...], Ran] = {}
    for argv in (
        ("smartctl", "-a", "-n", "standby,3", "-l", "devstat", "-d", "sat", "/dev/sda"),
        ("lvs", "-a", "--units", "b", "-o", "lv_name,vg_name"),
        ("zpool", "status", "-P", "-p", "-v"),
    ):
        older[argv] = Ran(argv=argv, ended=Ended.EXITED, stdout=argv[0])
    host = replace(BOX, programs=older).host()
    for newer in (
        ("smartctl", "-a", "-n", "standby,3", "-l", "devstat", "-l", "x", "-d", "sat", "/dev/sda"),
        ("lvs", "-a", "--units", "b", "-o", "lv_name,vg_name,data_percent"),
        ("zpool", "status", "-P", "-p", "-v", "-s"),
    ):
        assert host.run(newer).stdout == newer[0]
    for other in (
        ("smartctl", "-a", "-n", "standby,3", "-l", "devstat", "-d", "sat", "/dev/sdb"),
        ("zpool", "status", "-P", "-p", "-v", "-j"),
        ("lvs", "-a"),
    ):
        assert host.run(other).ended is Ended.MISSING


@pytest.mark.parametrize("ring", [None, (), errno.EPERM])
@pytest.mark.parametrize("log", [None, b"", b"a line\n", errno.EACCES])
def test_a_log_that_was_empty_refused_or_not_asked_for_stays_that(
    ring: tuple[bytes, ...] | int | None, log: bytes | int | None
) -> None:
    box = replace(BOX, ring=ring, log=log)
    assert box_file.parse(box_file.pack(box)) == box


def test_its_host_answers_as_the_box_did() -> None:
    host = BOX.host()
    assert host.run(("smartctl", "-a", "/dev/sda")).status == 4
    assert host.run(("zpool", "status")).ended is Ended.MISSING
    assert host.read_text("/sys/empty") == ""
    assert host.real_path("/dev/disk/by-id/x") == "/dev/sda"
    with pytest.raises(PermissionError):
        host.read_text("/dev/kmsg")
    with pytest.raises(OSError, match="Input/output error") as met:
        host.read_text("/sys/block/sdb/size")
    assert met.value.errno == errno.EIO
    with pytest.raises(FileNotFoundError):
        host.read_text("/sys/block/sda/size")


def test_only_its_owner_may_read_the_file_and_nothing_is_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "attic.tar.gz"
    size = box_file.write(BOX, path)
    assert path.stat().st_size == size
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert box_file.read(path) == BOX
    with pytest.raises(FileExistsError):
        box_file.write(BOX, path)


def test_a_write_that_fails_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        box_file.write(BOX, tmp_path / "attic.tar.gz")
    assert list(tmp_path.iterdir()) == []


def test_a_newer_form_is_refused_with_what_to_do() -> None:
    newer = with_manifest(lambda m: m.update(version=2, written_by="9.9", surprise=1))
    with pytest.raises(CannotParse, match=r"newer midwatch \(9.9, form 2\).*Upgrade"):
        box_file.parse(newer)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda m: m.update(format="other"), "not a box"),
        (lambda m: m.update(version="1"), "names no version"),
        (lambda m: m.update(version=True), "names no version"),
        (lambda m: m.update(version=0), "names no version"),
        (lambda m: m.__delitem__("taken_at"), "wrong at taken_at"),
        (lambda m: m.update(taken_at="2026-03-02T12:00:00"), "not UTC"),
        (lambda m: m.update(taken_at="0001-01-01T00:00:00+14:00"), "not UTC"),
        (lambda m: m["programs"][0].update(ended="well"), "wrong at programs.0.ended"),
        (lambda m: m["programs"][0].update(stdout="programs/0099.out"), "missing"),
        (lambda m: m["programs"][0].update(stderr="programs/0001.out"), "missing, or used twice"),
        (lambda m: m["programs"].__delitem__(0), "belongs to nothing"),
        (lambda m: m["looking"]["declared"][0].update(bears=7), "wrong at looking"),
        (lambda m: m["failing"].update({"/x": 2**70}), "manifest"),
        (lambda m: m.update(ring=-1), "belongs|error number"),
        (lambda _: [1], "not a box"),
        (lambda _: {"format": "midwatch box", "version": 1}, "wrong at"),
    ],
)
def test_a_wrong_manifest_is_refused_with_the_place(change: Any, reason: str) -> None:
    with pytest.raises(CannotParse, match=reason):
        box_file.parse(with_manifest(change))


@pytest.mark.parametrize("text", [b"{", b"[" * 100_000, b"\xff", b""])
def test_a_manifest_that_is_no_json_is_refused(text: bytes) -> None:
    with pytest.raises(CannotParse):
        box_file.parse(archive.pack({"manifest.json": text}, AT))


def test_an_archive_without_a_manifest_is_refused() -> None:
    with pytest.raises(CannotParse, match="no manifest"):
        box_file.parse(archive.pack({"log/ring": b"x"}, AT))


def test_a_file_that_cannot_be_opened_says_why(tmp_path: Path) -> None:
    with pytest.raises(CannotRead, match="No such file"):
        box_file.read(tmp_path / "nothing")
    with pytest.raises(CannotRead, match="directory"):
        box_file.read(tmp_path)


def test_a_file_that_may_not_be_read_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(CannotRead, match="may not be read"):
        box_file.read(Path("x"))


def lines_of(box: BoxFile) -> list[str]:
    survey = box.surveyor().take("look", AT).survey
    return [event.what for event in survey.events]


def test_the_kernel_log_is_read_from_where_the_box_read_it() -> None:
    line = "md/raid:md0: Disk failure on sdb, disabling device."
    files = {"/proc/uptime": "100.0 50.0\n"}
    ring = replace(BOX, files=files, ring=(f"6,1,5,-;{line}".encode(),), log=None)
    file = replace(
        BOX,
        files=files,
        looking=replace(BOX.looking, kernel_log="file"),
        ring=None,
        log=f"Mar  2 11:59:00 attic kernel: [ 90.0] {line}\n".encode(),
    )
    nothing = replace(BOX, files=files, ring=None, log=None)
    assert len(lines_of(ring)) == 1
    assert lines_of(file) == lines_of(ring)
    assert lines_of(nothing) == []


def test_times_are_kept_in_utc() -> None:
    elsewhere = replace(BOX, taken_at=AT.astimezone(timezone(timedelta(0))))
    assert box_file.parse(box_file.pack(elsewhere)).taken_at == AT


def test_a_recorded_host_is_all_that_a_survey_needs() -> None:
    survey = BOX.surveyor().take("look", AT).survey
    assert survey.box == "attic"
    assert isinstance(BOX.surveyor().host, RecordedHost)
    assert {blind.source for blind in survey.blind} >= {"block-devices", "drive-discovery"}
