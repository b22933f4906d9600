"""All drives at once: none is lost, none twice, and a hung one holds up nobody else."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from tests.readers.drive_samples import NOW, answer, ata_answer, ata_document, program
from watcher.facts.drive import SAME_NAME, DriveReading, DriveUnread, Unread, Verdict
from watcher.facts.identity import DriveId
from watcher.readers.blocks import parse as parse_blocks
from watcher.readers.drive_target import DriveTarget
from watcher.readers.drives import Silence, learn_ids, read_all, sort_answers
from watcher.readers.host import Ran
from watcher.readers.recorded import RecordedHost
from watcher.readers.runner import RealHost
from watcher.readers.smartctl import command, parse


def reading(serial: str = "S1", node: str = "/dev/sdb", kind: str = "sat") -> DriveReading:
    document = ata_document(serial=serial)
    del document["wwn"]
    result = parse(answer(document), node=node, device_type=kind, observed_at=NOW)
    assert isinstance(result, DriveReading)
    return result


def unread(node: str, drive: str | None, why: Unread = Unread.NO_SMART) -> DriveUnread:
    return DriveUnread(
        node=node,
        why=why,
        detail="x",
        observed_at=NOW,
        drive=DriveId(drive) if drive else None,
    )


def test_every_drive_is_in_one_of_the_two_lists() -> None:
    targets = [DriveTarget(node=f"/dev/sd{letter}", device_type="sat") for letter in "abc"]
    programs = {
        command(target): (0, ata_answer(ata_document(serial=f"S{number}")), "")
        for number, target in enumerate(targets[:2])
    }
    document = ata_document(serial="S1")
    document["wwn"]["id"] = 0x99
    programs[command(targets[1])] = (0, ata_answer(document), "")
    readings, rest = read_all(RecordedHost(programs=programs), targets, observed_at=NOW)
    assert [one.node for one in readings] == ["/dev/sda", "/dev/sdb"]
    assert [one.node for one in rest] == ["/dev/sdc"]


def test_no_targets_give_no_answers() -> None:
    assert read_all(RecordedHost(), [], observed_at=NOW) == ((), ())


def test_a_drive_seen_twice_is_one_drive_and_a_reading_wins() -> None:
    first, again = reading(), reading(node="/dev/sdq")
    drive = first.identity.drive
    readings, rest = sort_answers(
        [unread("/dev/sdz", drive), first, again, unread("/dev/sdx", "A"), unread("/dev/sdy", "A")]
    )
    assert readings == (first,)
    assert [one.node for one in rest] == ["/dev/sdx"]


def test_a_world_wide_name_that_two_drives_carry_hides_neither() -> None:
    """The block layer may show none, and both drives tell the same: one of them may be failing."""
    first = reading()
    other = replace(
        first,
        node="/dev/sdb",
        identity=replace(first.identity, serial="S2"),
        verdict=Verdict.FAILING,
    )
    readings, _ = sort_answers([first, other])
    assert [one.identity.drive for one in readings] == [
        first.identity.drive,
        "Hollerup_HX-8000_S2",
    ]
    assert readings[1].verdict is Verdict.FAILING
    assert readings[1].doubts == (SAME_NAME,)


def test_two_drives_that_cannot_be_told_apart_stay_two() -> None:
    _, rest = sort_answers([unread("/dev/sdx", None), unread("/dev/sdy", None)])
    assert len(rest) == 2


def test_a_bridge_that_hides_the_drive_is_put_right() -> None:
    text = '{"blockdevices":[{"name":"sdb","type":"disk","model":"Dock","serial":"D1"}]}'
    blocks = parse_blocks(text)
    assert learn_ids([reading()], blocks) == {"Dock_D1": "Hollerup_HX-8000_S1"}
    assert learn_ids([reading(kind="sat,12")], blocks) == {"Dock_D1": "Hollerup_HX-8000_S1"}
    assert learn_ids([reading(kind="megaraid,4")], blocks) == {}
    assert learn_ids([reading(node="/dev/none")], blocks) == {}


def test_a_hung_drive_holds_up_nobody_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """24 real runs at once, one of which hangs: the others are all read, within its limit."""
    targets = [DriveTarget(node=f"/dev/x{number:02d}", device_type="sat") for number in range(24)]
    for number, target in enumerate(targets):
        document = ata_document(serial=f"S{number}")
        document["wwn"]["id"] = number
        (tmp_path / Path(target.node).name).write_text(ata_answer(document))
    hung = tmp_path / "x07"
    hung.unlink()
    body = f"for last; do :; done; cat {tmp_path}/$(basename $last) || sleep 60"
    program(tmp_path, "smartctl", body)
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    started = time.monotonic()
    readings, rest = read_all(RealHost(), targets, observed_at=NOW, limit_seconds=5)
    assert time.monotonic() - started < 10
    assert (len(readings), [one.why for one in rest]) == (23, [Unread.HUNG])


class Half(RecordedHost):
    """A box on which one drive answers only when it is let go."""

    silent = "/dev/x1"

    def __init__(self) -> None:
        programs = {}
        for number, target in enumerate(TWO):
            document = ata_document(serial=f"S{number}")
            document["wwn"]["id"] = number
            programs[command(target)] = (0, ata_answer(document), "")
        super().__init__(programs=programs)
        self.let_go = threading.Event()

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        if argv[-1] == self.silent:
            self.let_go.wait(limit_seconds)
        return super().run(argv, limit_seconds=limit_seconds, lane=lane)


TWO = [DriveTarget(node=f"/dev/x{number}", device_type="sat") for number in range(2)]


def test_who_waits_is_told_who_is_silent_and_what_the_others_said() -> None:
    host = Half()
    seen: list[Silence] = []

    def goes_on(silence: Silence) -> bool:
        seen.append(silence)
        if len(silence.so_far()[0]) == 1:
            host.let_go.set()
        return True

    readings, rest = read_all(host, TWO, observed_at=NOW, limit_seconds=50, goes_on=goes_on)
    assert ([one.node for one in readings], rest) == (["/dev/x0", "/dev/x1"], ())
    assert {target.node for one in seen for target in one.silent[-1:]} == {"/dev/x1"}
    assert seen[0].limit_seconds == 50


def test_who_has_had_enough_gets_the_rest_and_the_silent_one_is_not_called_hung() -> None:
    host = Half()
    readings, rest = read_all(
        host, TWO, observed_at=NOW, goes_on=lambda silence: not silence.so_far()[0]
    )
    host.let_go.set()
    assert [one.node for one in readings] == ["/dev/x0"]
    assert [(one.node, one.why) for one in rest] == [("/dev/x1", Unread.NOT_YET)]
