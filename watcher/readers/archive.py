"""A safe archive of texts: tar (POSIX.1-1988 "ustar", plain files) packed with gzip (RFC 1952).

The archive may come from anybody, so reading it is strict. Nothing is ever unpacked to a disk.
Packed size, whole size, each member and their number are limited; a member that is no plain file,
that has a name of another shape than the caller allows, or that comes twice refuses the whole file,
and so do a wrong check sum, an end that came too soon, and anything behind the end. ``parse`` gives
the members or raises ``CannotParse``, for any bytes. Python's own tarfile is used for writing only:
it understands far more forms than are wanted here.
"""

from __future__ import annotations

import io
import re
import tarfile
import zlib
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Final

from watcher.readers.errors import CannotParse

SOURCE: Final = "box file"

MEMBER_BYTES: Final = 96 << 20
"""Of one answer. Our choice: the runner stops a program at 64 MiB, and a masked one may grow."""
TOTAL_BYTES: Final = 256 << 20
"""Of all answers, unpacked. Our choice: a box with a large journal has about 30 MB; this bounds
what a file made in bad faith can take of memory."""
MEMBERS: Final = 20_000
"""Our choice: 200 drives with all their files in /sys make about 6,000."""

MODE: Final = 0o600

_BLOCK = 512


def pack(contents: Mapping[str, bytes], at: datetime) -> bytes:
    """Write members, dated; the same ones give the same bytes. ValueError: they are too many."""
    sizes = [len(content) for content in contents.values()]
    if len(sizes) > MEMBERS or max(sizes) > MEMBER_BYTES or sum(sizes) > TOTAL_BYTES // 2:
        raise ValueError(f"{len(sizes)} answers of {sum(sizes)} bytes are too many for one file")
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w", format=tarfile.USTAR_FORMAT) as tar:
        for name, content in contents.items():
            info = tarfile.TarInfo(name)
            info.size, info.mode, info.mtime = len(content), MODE, int(at.timestamp())
            tar.addfile(info, io.BytesIO(content))
    packer = zlib.compressobj(level=6, wbits=31)  # without a time or a name in its head
    return packer.compress(buffer.getvalue()) + packer.flush()


def parse(content: bytes, names: re.Pattern[str]) -> dict[str, bytes]:
    """Read all members, whose names must match; raises ``CannotParse``."""
    return dict(_members(_unpacked(content), names))


def _unpacked(content: bytes) -> bytes:
    """Unpack gzip, within the limit."""
    if len(content) > TOTAL_BYTES:
        raise CannotParse(SOURCE, "it is too large")
    unpacker = zlib.decompressobj(wbits=31)
    try:
        whole = unpacker.decompress(content, TOTAL_BYTES + 1)
    except zlib.error as fault:
        raise CannotParse(SOURCE, f"it is damaged, or not packed with gzip: {fault}") from fault
    if len(whole) > TOTAL_BYTES:
        raise CannotParse(SOURCE, f"it unpacks to more than {TOTAL_BYTES >> 20} MiB")
    if not unpacker.eof:
        raise CannotParse(SOURCE, "it was cut short")
    if unpacker.unused_data:
        raise CannotParse(SOURCE, "something follows its end")
    return whole


def _octal(cell: bytes) -> int:
    """Read a number of a tar header: octal digits, then blanks or zero bytes."""
    digits = cell.rstrip(b" \0").lstrip(b" ")
    if not digits or not all(0x30 <= digit <= 0x37 for digit in digits):
        raise CannotParse(SOURCE, "a number in its table is damaged")
    return int(digits, 8)


def _members(archive: bytes, names: re.Pattern[str]) -> Iterator[tuple[str, bytes]]:
    """Take a tar archive apart, plain files only (POSIX.1-1988, ustar)."""
    place, seen = 0, set[str]()
    while True:
        header = archive[place : place + _BLOCK]
        if len(header) < _BLOCK:
            raise CannotParse(SOURCE, "it was cut short")
        if not any(header):
            if any(archive[place:]):
                raise CannotParse(SOURCE, "something follows its end")
            return
        summed = sum(header[:148]) + 8 * 0x20 + sum(header[156:])
        if header[257:262] != b"ustar" or _octal(header[148:156]) != summed:
            raise CannotParse(SOURCE, "its table is damaged, or it is no tar archive")
        name = header[:100].rstrip(b"\0").decode("ascii", "replace")
        if header[156:157] not in {b"0", b"\0"} or any(header[345:500]):
            raise CannotParse(SOURCE, "it holds something else than plain files", line=name)
        size = _octal(header[124:136])
        if names.fullmatch(name) is None or name in seen:
            raise CannotParse(SOURCE, "a name in it is not one of ours, or comes twice", line=name)
        start = place + _BLOCK
        if size > MEMBER_BYTES or start + size > len(archive) or len(seen) >= MEMBERS:
            raise CannotParse(SOURCE, "it holds too much, or was cut short", line=name)
        seen.add(name)
        yield name, archive[start : start + size]
        place = start + -(-size // _BLOCK) * _BLOCK
