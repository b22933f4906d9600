"""What one message says by itself, and a memory of it.

A drive that fails repeats itself: thousands of lines that differ in nothing but the sector, the tag
of the command or the registers, none of which changes what a line means. The memory keeps what was
made of a message under its key, which is the message without those, so that a storm is taken apart
once and not line by line. A message whose meaning might hang on one of those numbers (the number
stands where a device's name is read, or two numbers are compared) is taken apart each time.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from watcher.readers.kernel_lines import arrays, devices, filesystems
from watcher.readers.kernel_lines.ata import AtaLine, is_result_line, read_ata
from watcher.readers.kernel_lines.scsi import ScsiLine, read_scsi
from watcher.readers.kernel_lines.setting import may_tell_of_portables, tells_of_sleep
from watcher.readers.kernel_lines.table import Index, Meaning

TABLE = Index((*arrays.ROWS, *filesystems.ROWS, *devices.ROWS))

REMEMBERED_MESSAGES = 2048
"""Keys kept in mind: about 2 MB. Our choice; a storm has some dozens."""

_PLACE = "1777777777777777777"  # stands for any number; no kernel counts that far
_NUMBER = re.compile(r"[1-9](?:(?<=#.)[0-9]*+|(?<= .)[0-9]{2,}+)(?![\w:.])")
"""A tag behind ``#``, or a number of three and more digits that stands alone behind a blank."""

_BYTES = (
    # a SCSI command; of a SATA command all behind its first byte, of its result all behind the
    # first two: what is left of them is all that is read
    (re.compile(r"CDB: ([\w()]{0,40})(?: [0-9a-f]{2}){6,}+ ?(?![^\0])"), r"CDB: \1"),
    (re.compile(r"cmd ([0-9a-f]{2})(?:[/:][0-9a-f]{2}){6,}+(?![\w:/-])"), r"cmd \1/"),
    (
        re.compile(r"res ([0-9a-f]{2}/[0-9a-f]{2}):[0-9a-f]{2}(?:[:/][0-9a-f]{2}){5,}+(?![\w:/-])"),
        r"res \1:",
    ),
)
_BETWEEN = "\0\n"  # no message of the kernel holds it


def _keys_of(texts: Sequence[str]) -> Sequence[str]:
    """Give each message without what does not bear on its meaning, all in one go."""
    joined = _NUMBER.sub(_PLACE, _BETWEEN.join(texts))
    for pattern, rest in _BYTES:
        joined = pattern.sub(rest, joined)
    keys = joined.split(_BETWEEN)
    return keys if len(keys) == len(texts) else texts


class Message(NamedTuple):
    """A message taken apart. A bare tuple, since one is made for every kind of line in a storm."""

    port: AtaLine | None = None  # a SATA port's line; then nothing else is looked for
    result: str = ""  # the second half of a SATA command, "" when it is none
    scsi: ScsiLine | None = None
    meaning: Meaning | None = None  # None: says nothing of note
    of_sleep: bool = False  # the machine goes to sleep or wakes
    of_setting: bool = False  # may tell which devices come and go
    ends_failure: bool = False  # the block layer's last line about a failed command


def take_apart(text: str) -> Message:
    """Say what a message says by itself."""
    of_sleep = tells_of_sleep(text)
    of_setting = may_tell_of_portables(text)
    port = read_ata(text)
    if port is not None:
        return Message(port=port, of_sleep=of_sleep, of_setting=of_setting)
    scsi = read_scsi(text)
    return Message(
        result=text if is_result_line(text) else "",
        scsi=scsi,
        meaning=scsi.meaning if scsi else TABLE.read(text),
        of_sleep=of_sleep,
        of_setting=of_setting,
        ends_failure=" error, dev " in text,
    )


class Memory:
    """Takes messages apart, and those that differ only in numbers once."""

    def __init__(self, limit: int = REMEMBERED_MESSAGES) -> None:
        """Take how many to remember; 0 remembers none."""
        self._limit = limit
        self._known: dict[str, Message] = {}

    def read(self, texts: Sequence[str]) -> list[Message]:
        """Say of each message what it says, as :func:`take_apart` does."""
        known = self._known.get
        keys = _keys_of(texts)
        return [known(key) or self._learn(texts[n], key) for n, key in enumerate(keys)]

    def _learn(self, text: str, key: str) -> Message:
        made = take_apart(key)
        if not self._limit or " out of " in key or _hangs_on_numbers(made):
            return take_apart(text)
        if len(self._known) >= self._limit:
            self._known.clear()
        self._known[key] = made
        return made


def _hangs_on_numbers(message: Message) -> bool:
    """Tell whether a number that was left out stands in a device's name."""
    device = message.meaning.device if message.meaning else ""
    return _PLACE in device
