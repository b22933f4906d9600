"""The cheap first look never throws away a line that means something."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.readers.kernel_lines import arrays, devices, filesystems
from watcher.readers.kernel_lines.screen import pieces, worth_reading_json
from watcher.readers.kernel_lines.setting import Line
from watcher.readers.kernel_lines.story import Story, Told

CAPTURES = sorted((Path(__file__).parents[1] / "kernel_captures").glob("*.jsonl"))
ROWS = (*arrays.ROWS, *filesystems.ROWS, *devices.ROWS)
PREFIXES = (
    "",
    "[  123.456789] ",
    "Nov 25 13:22:01 box kernel: [  123.456789] ",
    "Nov  5 13:22:01 box kernel: ",
    "<6>[  123.456789] ",
    "2026-11-25T13:22:01.123456+01:00 box kernel: ",
)


def messages() -> list[str]:
    found: list[str] = []
    for path in CAPTURES:
        for row in path.read_text(encoding="utf-8").splitlines():
            found.extend(json.loads(row)["MESSAGE"].split("\n"))
    return found


def told(texts: list[str]) -> list[Told]:
    return Story().read([Line(text=text) for text in texts])


@pytest.mark.parametrize("prefix", PREFIXES)
def test_a_screened_log_tells_the_same_as_the_whole_one(prefix: str) -> None:
    whole = messages()
    block = "\n".join(prefix + text for text in whole).encode()
    kept = [line.decode().removeprefix(prefix) for line in [whole for whole, *_ in pieces(block)]]
    wanted = [(one.meaning.what, one.meaning.device, one.adds) for one in told(whole)]
    assert [(one.meaning.what, one.meaning.device, one.adds) for one in told(kept)] == wanted


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.stem)
def test_a_screened_journal_tells_the_same_as_the_whole_one(path: Path) -> None:
    text = path.read_text(encoding="utf-8")

    def meanings(rows: list[str]) -> list[tuple[str, str]]:
        lines = [line for row in rows for line in json.loads(row)["MESSAGE"].split("\n")]
        return [(one.meaning.what, one.meaning.device) for one in told(lines)]

    assert meanings(worth_reading_json(text)) == meanings(text.splitlines())


def test_most_of_a_busy_log_is_left_out() -> None:
    block = b"\n".join(
        [
            b"Nov 25 13:22:01 box kernel: [  1.5] FIREWALL DROP IN=eth0 SRC=192.0.2.1",
            b"Nov 25 13:22:01 box sshd[12]: error: ata3.00: failed command",
            b"",
            b"Nov 25 13:22:01 box kernel: [  1.5] ata3.00: error: { UNC }",
            b"[  1.5] audit: type=1400",
        ]
    )
    ((whole, *_),) = pieces(block)
    assert whole == b"Nov 25 13:22:01 box kernel: [  1.5] ata3.00: error: { UNC }"


def test_a_line_with_an_unknown_prefix_is_kept() -> None:
    assert [whole for whole, *_ in pieces(b"25/11/26 13h22 : ata3.00: error: { UNC }\n")] == [
        b"25/11/26 13h22 : ata3.00: error: { UNC }"
    ]


def test_a_message_that_is_a_list_of_bytes_or_null_is_kept() -> None:
    rows = ['{"MESSAGE":[97,116],"A":"b"}', '{"MESSAGE":null}', '{"MESSAGE":"audit: x"}']
    assert worth_reading_json("\n".join(rows)) == rows[:2]


_ENDS = st.sampled_from([b"\n", b"\r\n", b"\r", b""])


@given(st.lists(st.tuples(st.binary(max_size=30), _ENDS), max_size=6))
def test_any_bytes_are_screened_into_lines_of_their_own(parts: list[tuple[bytes, bytes]]) -> None:
    known = b"[ 1.5] ata3.00: error: { UNC }"
    around = b"".join(part + end for part, end in parts)
    block = around + b"\n" + known + b"\n" + around
    kept = [whole for whole, *_ in pieces(block)]
    assert known in kept
    lines = block.split(b"\n")
    assert all(line in lines for line in kept)


@given(st.lists(st.sampled_from([b"[ 1.5] audit: x", b"ata3.00: error: { UNC }", b""]), max_size=9))
def test_no_line_hides_its_neighbour(lines: list[bytes]) -> None:
    kept = [whole for whole, *_ in pieces(b"\n".join(lines))]
    assert kept == [line for line in lines if line[:3] == b"ata"]
