"""Passes over a drive in memory with places that fail."""

import math
import threading
from collections.abc import Callable

import pytest

from tests.service.fake_drive import MIB, FakeDevice
from watcher.recovery.pattern import NOISE_BYTES, Pattern
from watcher.recovery.proving import FAULTS_KEPT, FAULTS_MOST, Curve, FaultKind
from watcher.service.prove_pass import (
    BAD_BYTES_MOST,
    SMALLEST_BYTES,
    TRIES_IN_A_PIECE,
    DriveGone,
    Faults,
    ReadPass,
    Worked,
    WritePass,
)

PATTERN = Pattern(b"0123456789abcdef")
WRITTEN = FaultKind.WRONG_CONTENT


def write(device: FakeDevice, start: int = 0) -> WritePass:
    work = WritePass(device, lambda: 0.0, Curve(device.size))
    list(work.run(PATTERN, start))
    return work


def read(device: FakeDevice, start: int = 0, pattern: Pattern | None = PATTERN) -> ReadPass:
    work = ReadPass(device, lambda: 0.0, Curve(device.size))
    list(work.run(pattern, start))
    return work


@pytest.mark.parametrize(
    "size", [512, NOISE_BYTES - 512, NOISE_BYTES, NOISE_BYTES + 512, 3 * NOISE_BYTES + 1536]
)
def test_every_sector_of_any_size_is_written_and_reads_back(size: int) -> None:
    device = FakeDevice(size=size)
    assert write(device).faults.count == 0
    for sector in {0, size // 512 // 2, size // 512 - 1}:
        assert device.content[sector * 512 : sector * 512 + 512] == PATTERN.expected(sector)
    assert read(device).faults.count == 0


def test_each_pass_tells_up_to_where_it_is_through() -> None:
    device = FakeDevice(size=2 * NOISE_BYTES + 512)
    steps = list(WritePass(device, lambda: 0.0, Curve(device.size)).run(PATTERN, 0))
    assert steps == [NOISE_BYTES, 2 * NOISE_BYTES, 2 * NOISE_BYTES + 512]
    steps = list(ReadPass(device, lambda: 0.0, Curve(device.size)).run(PATTERN, NOISE_BYTES))
    assert steps == [2 * NOISE_BYTES, 2 * NOISE_BYTES + 512]


def test_a_write_that_went_to_another_place_is_found_at_both_places() -> None:
    device = FakeDevice(misplaces={5 * MIB: 7 * MIB})
    write(device)
    texts = [fault.text for fault in read(device).faults.kept]
    assert texts[0] == "Sector 10240 holds zeros in place of what was written."
    assert len(texts) == 1  # the other place was written over by its own content afterwards


def test_a_write_that_hit_an_earlier_place_is_told_with_where_it_belongs() -> None:
    device = FakeDevice(misplaces={7 * MIB: 5 * MIB})
    write(device)
    texts = [fault.text for fault in read(device).faults.kept]
    assert "Sector 10240 holds what belongs to sector 14336." in texts


def test_a_write_that_was_lost_is_found() -> None:
    device = FakeDevice(loses=[range(6 * MIB, 6 * MIB + 2048)])
    write(device)
    (fault,) = read(device).faults.kept
    assert (fault.kind, fault.at, fault.bytes) == (WRITTEN, 6 * MIB, 2048)
    assert fault.text.endswith("So do the 3 after it.")


def test_one_bit_that_changed_between_writing_and_reading_is_found() -> None:
    device = FakeDevice()
    write(device)
    device.content[7 * MIB + 100] ^= 1
    (fault,) = read(device).faults.kept
    assert "1 wrong bytes" in fault.text


def test_a_place_that_cannot_be_read_is_narrowed_down_and_the_rest_is_compared() -> None:
    device = FakeDevice(unreadable=[range(5 * MIB + 4096, 5 * MIB + 4608)])
    write(device)
    device.content[6 * MIB] ^= 1
    faults = read(device).faults
    assert [(f.kind, f.at, f.bytes) for f in faults.kept] == [
        (FaultKind.READ_FAILED, 5 * MIB + 4096, SMALLEST_BYTES),
        (WRITTEN, 6 * MIB, 512),
    ]


def test_a_place_that_cannot_be_written_is_narrowed_down() -> None:
    device = FakeDevice(unwritable=[range(MIB, MIB + 8192)])
    faults = write(device).faults
    assert [(f.kind, f.at, f.bytes) for f in faults.kept] == [
        (FaultKind.WRITE_FAILED, MIB, 4096),
        (FaultKind.WRITE_FAILED, MIB + 4096, 4096),
    ]


def test_a_dead_zone_costs_a_bounded_number_of_tries() -> None:
    device = FakeDevice(unreadable=[range(NOISE_BYTES)])
    write(device)
    before = device.operations
    faults = read(device).faults
    assert device.operations - before < TRIES_IN_A_PIECE + 20
    assert sum(f.bytes for f in faults.kept) == NOISE_BYTES
    assert any("given up" in f.text for f in faults.kept)


def test_reading_only_compares_nothing_and_finds_what_cannot_be_read() -> None:
    device = FakeDevice(unreadable=[range(MIB, MIB + 512)])
    (fault,) = read(device, pattern=None).faults.kept
    assert fault.kind is FaultKind.READ_FAILED


class Meeting(FakeDevice):
    """Answers only when two pieces are asked for at once, as long as there are two; times out."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self.two = threading.Barrier(2)

    def read_at(self, at: int, into: memoryview) -> None:
        self.two.wait(30)
        super().read_at(at, into)

    def write_at(self, at: int, content: memoryview) -> None:
        self.two.wait(30)
        super().write_at(at, content)


def test_the_drive_has_always_two_pieces_to_work_on() -> None:
    device = Meeting(size=6 * NOISE_BYTES)
    assert write(device).faults.count == 0
    assert read(device).faults.count == 0


class Alone(FakeDevice):
    """Notes what is asked of it while a bad place is narrowed down."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self.lock = threading.Lock()
        self.busy = self.together = 0

    def _one(self, operation: Callable[[int, memoryview], None], at: int, what: memoryview) -> None:
        with self.lock:
            self.busy += 1
        try:
            operation(at, what)
            if len(what) < NOISE_BYTES:
                self.together = max(self.together, self.busy)
        finally:
            with self.lock:
                self.busy -= 1

    def read_at(self, at: int, into: memoryview) -> None:
        self._one(super().read_at, at, into)

    def write_at(self, at: int, content: memoryview) -> None:
        self._one(super().write_at, at, content)


def test_while_a_bad_place_is_narrowed_down_nothing_else_is_asked_of_the_drive() -> None:
    bad = [range(at, at + 512) for at in (MIB, 9 * MIB, 10 * MIB, 17 * MIB)]
    device = Alone(size=6 * NOISE_BYTES, unwritable=bad)
    assert [f.at for f in write(device).faults.kept] == [place.start for place in bad]
    assert device.together == 1
    device.unwritable, device.unreadable = (), bad
    write(device)
    device.together = 0
    assert [f.at for f in read(device).faults.kept] == [place.start for place in bad]
    assert device.together == 1


@pytest.mark.parametrize(
    ("began", "ended", "through", "own"),
    [
        (0.0, 2.0, -math.inf, 2.0),  # the first one
        (1.0, 4.0, 2.0, 2.0),  # asked for while the one before was under way until 2
        (7.0, 9.0, 4.0, 2.0),  # after a pause for heat
        (3.0, 4.0, 5.0, 0.0),  # through before the one before
    ],
)
def test_time_in_which_two_pieces_were_under_way_counts_once(
    began: float, ended: float, through: float, own: float
) -> None:
    worked = Worked(buffer=memoryview(b""), began=began, ended=ended)
    assert worked.own_seconds(through) == own


def test_a_drive_that_went_away_is_not_a_bad_place() -> None:
    with pytest.raises(DriveGone):
        write(FakeDevice(gone_after=2))
    device = FakeDevice()
    write(device)
    device.gone_after = device.operations + 2
    with pytest.raises(DriveGone):
        read(device)


def test_the_faults_that_are_kept_and_the_work_on_a_bad_drive_are_bounded() -> None:
    device = FakeDevice()
    write(device)
    for sector in range(0, 2 * FAULTS_MOST, 2):
        device.content[sector * 512] ^= 1
    faults = read(device).faults
    assert len(faults.kept) == FAULTS_KEPT
    assert faults.count == FAULTS_MOST
    assert faults.too_many
    assert Faults(bytes=BAD_BYTES_MOST).too_many
    assert not Faults(bytes=BAD_BYTES_MOST - 1, count=FAULTS_MOST - 1).too_many


def test_a_drive_with_large_sectors_is_never_asked_for_less() -> None:
    device = FakeDevice(size=20 * MIB, sector=4096, unreadable=[range(MIB, MIB + 1)])
    write(device)
    assert read(device).faults.count == 1
    huge = FakeDevice(size=20 * MIB, sector=8192, unreadable=[range(MIB, MIB + 1)])
    write(huge)
    assert [f.bytes for f in read(huge).faults.kept] == [8192]
