from __future__ import annotations

import errno
import os
from dataclasses import dataclass
from pathlib import Path

import pytest

from watcher.demo.box import SimBox
from watcher.demo.story import new_box
from watcher.facts.drive import DriveIdentity
from watcher.readers.blocks import read_blocks
from watcher.readers.enclosure import FOLDER
from watcher.readers.recorded import RecordedHost
from watcher.service import locate
from watcher.service.locate import (
    PATTERN,
    READ_BYTES,
    Beat,
    Lamp,
    Seat,
    blink,
    lamp_of,
    reader_of,
    seat_of,
    set_lamp,
)


@dataclass
class Clock:
    """Time that passes with reading and resting only."""

    at: float = 0.0
    stop_at: float = 1e9
    rested: float = 0.0

    def now(self) -> float:
        return self.at

    def wait(self, seconds: float) -> bool:
        self.at += seconds
        self.rested += seconds
        return self.at >= self.stop_at


def beat_of(clock: Clock) -> Beat:
    return Beat(now=clock.now, wait=clock.wait)


def test_it_reads_short_short_long_and_rests_in_between() -> None:
    clock, busy = Clock(), []

    def read(_: float) -> bool:
        if not busy or clock.at - busy[-1][1] > 0.1:
            busy.append([clock.at, clock.at])
        clock.at += 0.05
        busy[-1][1] = clock.at
        return True

    one_round = sum(working + resting for working, resting in PATTERN)
    done = blink(read, beat_of(clock), one_round)
    lengths = [round(end - begin, 2) for begin, end in busy]
    assert lengths == pytest.approx([working for working, _ in PATTERN], abs=0.051)
    assert done.reads > 0


def test_it_ends_when_its_time_is_over() -> None:
    clock = Clock()

    def read(_: float) -> bool:
        clock.at += 0.01
        return True

    blink(read, beat_of(clock), 5.0)
    assert 5.0 <= clock.at <= 5.0 + max(resting for _, resting in PATTERN)


def test_it_stops_as_soon_as_it_is_told_to() -> None:
    clock = Clock(stop_at=0.0)

    def read(_: float) -> bool:
        clock.at += 0.01
        return True

    done = blink(read, beat_of(clock), 60.0)
    assert (done.rounds, clock.at < 1.0) == (0, True)


def test_a_slow_drive_does_not_make_it_longer_than_one_read() -> None:
    clock = Clock()

    def read(_: float) -> bool:
        clock.at += 30.0
        return False

    done = blink(read, beat_of(clock), 10.0)
    assert (done.reads, done.failed) == (1, 1)


def test_the_reads_are_spread_over_the_whole_drive() -> None:
    clock, places = Clock(), []

    def read(place: float) -> bool:
        places.append(place)
        clock.at += 0.01
        return True

    blink(read, beat_of(clock), 10.0)
    tenths = {int(place * 10) for place in places}
    assert tenths == set(range(10))
    assert all(0.0 <= place < 1.0 for place in places)


def image(folder: Path, size: int) -> str:
    path = folder / "drive.img"
    path.write_bytes(os.urandom(size))
    return str(path)


@pytest.fixture
def past_the_cache_or_not(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Some filesystems of test machines take no O_DIRECT: there it is left out."""
    path = image(tmp_path, 4096)
    try:
        os.close(os.open(path, os.O_RDONLY | os.O_DIRECT))
    except OSError:
        monkeypatch.setattr(locate.os, "O_DIRECT", 0)


@pytest.mark.usefixtures("past_the_cache_or_not")
def test_a_drive_is_opened_for_reading_only_and_left_as_it_was(tmp_path: Path) -> None:
    node = image(tmp_path, 4 * READ_BYTES)
    before = Path(node).read_bytes()
    Path(node).chmod(0o444)
    with reader_of(node) as read:
        assert all(read(place) for place in (0.0, 0.3, 0.999999))
    assert Path(node).read_bytes() == before


@pytest.mark.usefixtures("past_the_cache_or_not")
def test_a_place_that_cannot_be_read_is_no_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(number: int) -> None:
        def preadv(*_: object) -> int:
            raise OSError(number, "no")

        monkeypatch.setattr(locate.os, "preadv", preadv)

    with reader_of(image(tmp_path, READ_BYTES)) as read:
        fail(errno.EIO)
        assert read(0.5) is False
        fail(errno.ENODEV)
        with pytest.raises(OSError, match="no"):
            read(0.5)


def test_a_device_that_is_not_there_cannot_be_opened(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), reader_of(str(tmp_path / "sdz")):
        pass


SLOT = f"{FOLDER}/0:0:8:0/Slot 03"


def enclosure(**files: str) -> RecordedHost:
    names = {"status": "OK\n", "slot": "3\n", "locate": "0\n"} | files
    return RecordedHost(
        files={f"{SLOT}/{name}": text for name, text in names.items() if text},
        folders={
            FOLDER: ["0:0:8:0"],
            f"{FOLDER}/0:0:8:0": ["Slot 03"],
            f"{SLOT}/device/block": ["sda"],
        },
    )


def test_the_light_of_the_slot_that_a_disk_sits_in_is_found() -> None:
    found = lamp_of(enclosure(), "sda")
    assert found == Lamp(enclosure="0:0:8:0", slot="Slot 03", path=f"{SLOT}/locate")


def test_without_a_light_or_without_the_disk_there_is_none() -> None:
    assert lamp_of(enclosure(), "sdb") is None
    assert lamp_of(enclosure(locate=""), "sda") is None
    assert lamp_of(RecordedHost(), "sda") is None


def test_a_light_is_switched_by_a_digit(tmp_path: Path) -> None:
    """``1`` lights it, ``0`` puts it out (drivers/misc/enclosure.c of Linux, from memory)."""
    path = tmp_path / "locate"
    path.write_text("0")
    lamp = Lamp(enclosure="e", slot="s", path=str(path))
    set_lamp(lamp, on=True)
    assert path.read_text() == "1"
    set_lamp(lamp, on=False)
    assert path.read_text() == "0"


def test_a_light_that_cannot_be_set_says_so(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="No such file"):
        set_lamp(Lamp(enclosure="e", slot="s", path=str(tmp_path / "no" / "l")), on=True)


def _who(box: SimBox, disk: str) -> DriveIdentity:
    known = read_blocks(box).identity_of(disk)
    assert known is not None
    return known


def test_a_drive_that_is_where_it_was_is_found_there() -> None:
    box = new_box()
    assert seat_of(box, _who(box, "sdb"), "sdb") == Seat(disk="sdb")


def test_a_drive_that_has_another_letter_since_is_found_where_it_is_now() -> None:
    """After a reboot the letters change; the light of another drive would have it pulled."""
    box = new_box()
    b, c = _who(box, "sdb"), _who(box, "sdc")
    box.drives["b"], box.drives["c"] = box.drives["c"], box.drives["b"]
    box.drives["b"].letter, box.drives["c"].letter = "b", "c"
    assert (seat_of(box, b, "sdb"), seat_of(box, c, "sdc")) == (Seat(disk="sdc"), Seat(disk="sdb"))


def test_where_another_drive_sits_now_nothing_is_lit() -> None:
    box = new_box()
    gone = _who(box, "sdb")
    box.drives["b"].serial, box.drives["b"].wwn = "NEW1", 0x5000A1400000BEEF
    assert seat_of(box, gone, "sdb") == Seat(disk=None)


def test_where_nothing_tells_which_drive_it_is_that_is_said() -> None:
    box = new_box()
    who = _who(box, "sdb")
    assert seat_of(RecordedHost(), who, "sdb") == Seat(disk="sdb", sure=False)
    assert seat_of(box, who, "sdz") == Seat(disk="sdb")
    box.drives.pop("b")
    assert seat_of(box, who, "sdb") == Seat(disk="sdb", sure=False)
