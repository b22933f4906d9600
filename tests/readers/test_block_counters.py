"""What the kernel counts of each disk (kernel document block/stat.rst)."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.readers.drive_samples import NOW, answer, ata_document, recorded
from watcher.facts.drive import DriveReading, Metric
from watcher.readers.block_counters import (
    FEWEST_REQUESTS,
    Between,
    BlockCounters,
    Counted,
    between,
    parse,
)
from watcher.readers.blocks import parse as parse_blocks
from watcher.readers.errors import CannotParse
from watcher.readers.recorded import RecordedHost
from watcher.readers.smartctl import parse as parse_drive

# our own run on kernel 6.18: cat /sys/block/vda/stat, 17 numbers
LINE = "  158730    35281  9264226    80145   279127   265436 21146480   523415        0   147460"
LINE_17 = f"{LINE}   603560 0 0 0 0 31024 0\n"
STAT = "/sys/block/sdb/stat"


def reading(node: str = "/dev/sdb", kind: str = "sat") -> DriveReading:
    result = parse_drive(answer(ata_document()), node=node, device_type=kind, observed_at=NOW)
    assert isinstance(result, DriveReading)
    return result


def counted(requests: int = 0, read: int = 0, ms: int = 0) -> Counted:
    return Counted(requests=requests, read_bytes=read, written_bytes=0, read_ms=ms, written_ms=0)


def test_a_line_is_read_in_sectors_of_512_bytes_and_milliseconds() -> None:
    assert parse(LINE_17) == Counted(
        requests=158_730 + 279_127,
        read_bytes=9_264_226 * 512,
        written_bytes=21_146_480 * 512,
        read_ms=80_145,
        written_ms=523_415,
    )
    assert parse(f"{LINE} 603560") == parse(LINE_17)  # 11 numbers, before Linux 4.18


@pytest.mark.parametrize("text", ["", LINE, LINE_17[:40], "a b c d e f g h i j k", "-1 " * 11])
def test_a_cut_or_odd_line_is_not_read(text: str) -> None:
    with pytest.raises(CannotParse):
        parse(text)


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        parse(text)
    except CannotParse:
        return


@pytest.mark.parametrize(
    ("before", "now", "seconds", "found"),
    [
        (
            counted(),
            counted(1000, 60_000_000, 12_000),
            600,
            Between(bytes_per_second=100_000, wait_microseconds=12_000),
        ),
        # too few requests make no mean; how much went through is known all the same
        (
            counted(),
            counted(FEWEST_REQUESTS - 1, 600, 12_000),
            600,
            Between(bytes_per_second=1, wait_microseconds=None),
        ),
        (
            counted(),
            counted(FEWEST_REQUESTS, 600, 100),
            600,
            Between(bytes_per_second=1, wait_microseconds=1000),
        ),
        # the milliseconds begin anew at 2^32
        (
            counted(ms=2**32 - 500),
            counted(1000, 0, 500),
            600,
            Between(bytes_per_second=0, wait_microseconds=1000),
        ),
        (counted(1000, 500, 10), counted(999, 600, 10), 600, None),  # found anew
        (counted(1000, 500, 10), counted(2000, 400, 10), 600, None),
        (counted(0, 0, 10), counted(200, 0, 9), 600, None),  # found anew, and busier than before
        (counted(), counted(1000, 1000, 1000), 0, None),
    ],
)
def test_two_looks_are_compared(
    before: Counted, now: Counted, seconds: float, found: Between | None
) -> None:
    assert between(before, now, seconds) == found


def test_a_reading_gets_what_was_counted_since_the_look_before() -> None:
    counters = BlockCounters()
    host = RecordedHost(files={STAT: LINE_17})
    assert counters.add(host, (reading(),), NOW) == (reading(),)
    later = RecordedHost(
        files={STAT: "159730 0 9464226 90145 279127 0 21146480 523415 0 0 0 0 0 0 0\n"}
    )
    (found,) = counters.add(later, (reading(),), NOW + timedelta(seconds=100))
    assert found.metric(Metric.WAIT_MICROSECONDS) == 10_000
    assert found.metric(Metric.THROUGHPUT_BYTES_PER_SECOND) == 200_000 * 512 // 100
    assert found.metrics[: len(reading().metrics)] == reading().metrics


@pytest.mark.parametrize(
    ("one", "files"),
    [
        (reading("/dev/bus/0", "megaraid,4"), {"/sys/block/bus/0/stat": LINE_17}),
        (reading(), {}),
        (reading(), {STAT: "1 2 3"}),
    ],
)
def test_what_has_no_line_is_read_without(one: DriveReading, files: dict[str, str]) -> None:
    counters = BlockCounters()
    for seconds in (0, 600):
        at = NOW + timedelta(seconds=seconds)
        assert counters.add(RecordedHost(files=files), (one,), at) == (one,)


def test_a_drive_that_sits_elsewhere_now_is_not_compared_with_another_disks_counts() -> None:
    counters = BlockCounters()
    counters.add(RecordedHost(files={STAT: LINE_17}), (reading(),), NOW)
    moved = RecordedHost(files={"/sys/block/sdq/stat": LINE_17})
    (found,) = counters.add(moved, (reading("/dev/sdq"),), NOW + timedelta(hours=1))
    assert found.metric(Metric.WAIT_MICROSECONDS) is None


def test_an_nvme_drive_has_the_counts_of_all_its_namespaces() -> None:
    """It is asked at its controller, which has no counts of its own."""
    nvme = parse_drive(recorded("nvme-healthy.json"), node="/dev/nvme3", observed_at=NOW)
    assert isinstance(nvme, DriveReading)
    who = nvme.identity
    told = {"type": "disk", "model": who.model, "serial": who.serial, "tran": "nvme"}
    disks = [{"name": f"nvme3n{n}", **told} for n in (1, 2)]
    blocks = parse_blocks(json.dumps({"blockdevices": [*disks, {"name": "sdb", "type": "disk"}]}))
    counters = BlockCounters()
    zero = "0 0 0 0 0 0 0 0 0 0 0\n"
    assert counters.add(both(zero, zero), (nvme,), NOW, blocks) == (nvme,)
    later = both("100 0 1000 500 0 0 0 0 0 0 0\n", "0 0 0 0 100 0 3000 1500 0 0 0\n")
    (found,) = counters.add(later, (nvme,), NOW + timedelta(seconds=10), blocks)
    assert found.metric(Metric.WAIT_MICROSECONDS) == 2000 * 1000 // 200
    assert found.metric(Metric.THROUGHPUT_BYTES_PER_SECOND) == 4000 * 512 // 10


def both(first: str, second: str) -> RecordedHost:
    return RecordedHost(files={"/sys/block/nvme3n1/stat": first, "/sys/block/nvme3n2/stat": second})
