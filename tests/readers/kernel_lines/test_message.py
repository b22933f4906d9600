"""What one message says by itself, and that its memory changes no answer."""

from __future__ import annotations

import json
import re
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from watcher.readers.kernel_lines import arrays, ata, devices, filesystems, scsi
from watcher.readers.kernel_lines.message import Memory, Message, take_apart
from watcher.readers.kernel_lines.setting import Line
from watcher.readers.kernel_lines.story import Story

CAPTURES = sorted((Path(__file__).parents[1] / "kernel_captures").glob("*.jsonl"))
CUES = [
    row.cue
    for row in (
        *arrays.ROWS,
        *filesystems.ROWS,
        *devices.ROWS,
        *(*scsi.SENSE, *scsi.NUMBERS, *scsi.KEYS, *scsi.RESULTS, *scsi.STEPS, *ata.STEPS),
    )
]
NUMBERS = st.one_of(
    st.integers(0, 9).map(str),
    st.integers(10, 10**12).map(str),
    st.integers(0, 2**40).map(hex),
    st.lists(st.integers(0, 255), min_size=1, max_size=16).map(lambda some: bytes(some).hex(" ")),
    st.lists(st.integers(0, 255), min_size=1, max_size=16).map(lambda some: bytes(some).hex(":")),
)
PIECES = st.one_of(
    st.sampled_from(CUES),
    NUMBERS,
    st.sampled_from(
        ("sd 0:0:1:0: [sdb] ", "tag#", "ata3.00: ", " cmd ", " res ", "51/40:", "60/", "CDB: ")
    ),
    st.sampled_from((" ", " ", ":", "/", "#", ", dev sdb, sector ", "nvme nvme0: ", "md0: ")),
    st.text("0123456789 .:#\0\n", max_size=5),
)


def captured() -> list[str]:
    found: list[str] = []
    for path in CAPTURES:
        for row in path.read_text(encoding="utf-8").splitlines():
            found.extend(json.loads(row)["MESSAGE"].split("\n"))
    return found


def essence(message: Message) -> tuple[object, ...]:
    """What the story makes use of: not the numbers that the memory leaves out."""
    report = ata.Report(device="")
    port = message.port
    for body in (port.body if port else "", message.result):
        report.add(body)
    return (
        (port.port, port.device, port.detail, port.opens, port.step) if port else None,
        (report.meaning(), report.has_command, bool(message.result)),
        message.scsi and (message.scsi.driver, message.scsi.name, message.scsi.part_of_failure),
        message.meaning,
        (message.of_sleep, message.of_setting, message.ends_failure),
    )


@given(st.lists(st.lists(PIECES, max_size=9).map("".join), min_size=1, max_size=4))
def test_the_memory_says_of_any_messages_what_taking_them_apart_says(texts: list[str]) -> None:
    memory = Memory(limit=3)
    wanted = [essence(take_apart(text)) for text in texts]
    assert [essence(one) for one in memory.read(texts)] == wanted
    assert [essence(one) for one in memory.read(texts)] == wanted


@given(st.data())
def test_captured_messages_with_other_numbers_tell_the_same_with_and_without_memory(
    data: st.DataObject,
) -> None:
    some = data.draw(st.lists(st.sampled_from(captured()), min_size=1, max_size=30))
    texts = [
        re.sub(r"\d+", lambda found: found[0] if data.draw(st.booleans()) else "48213", text)
        for text in some
    ]
    lines = [Line(text=text, seconds=float(n)) for n, text in enumerate(texts)]
    assert Story().read(lines) == Story(memory=Memory(limit=0)).read(lines)


def test_a_storm_is_taken_apart_once() -> None:
    memory = Memory()
    storm = [
        text
        for n in range(1, 500)
        for text in (
            f"sd 2:0:1:0: [sdb] tag#{n} Sense Key : Medium Error [current] ",
            f"sd 2:0:1:0: [sdb] tag#{n} CDB: Read(10) 28 00 {n % 256:02x} 00 4f a8 00 08 00 00",
            f"critical medium error, dev sdb, sector {n * 4099} op 0x0:(READ) flags 0x0",
            f"ata3.00: cmd 60/{n % 256:02x}:e0:a8:4f:00/01:00:00:00:00/40 tag 28 ncq",
            f"         res 51/40:{n % 256:02x}:e0:a8:4f:00/01:00:00:00:00/40 Emask 0x409",
        )
    ]
    read = memory.read(storm[:5]) and memory.read(storm[5:])
    assert len({id(one) for one in read}) == 5


def test_numbers_that_are_compared_or_name_a_device_are_never_left_out() -> None:
    few, enough = (f"md/raid:md0: raid level 5 active with 100 out of {n}" for n in (101, 100))
    assert [essence(one) for one in Memory().read([few, enough])] == [
        essence(take_apart(few)),
        essence(take_apart(enough)),
    ]
