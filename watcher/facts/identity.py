"""What things are called: boxes, drives, pools and whatever a finding is about.

A device name such as ``sdb`` is only where a drive was seen at one moment; it changes from boot
to boot and is never an identity. A drive is its World Wide Name where it has one, otherwise its
model and serial number.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import NewType

BoxId = NewType("BoxId", str)
"""One watched computer."""

DriveId = NewType("DriveId", str)
"""``wwn-5000c500a0000000``, or ``MODEL_SERIAL``; never a device name."""

PoolId = NewType("PoolId", str)
"""``KIND:UUID``, for instance ``md:ce391fe7:343f770f:00b6873b:4fac137a``."""


class SubjectKind(StrEnum):
    """What kind of thing a finding or an event is about."""

    DRIVE = "drive"
    POOL = "pool"
    SOURCE = "source"  # a place we look at: a tool, a log
    BOX = "box"


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What a finding, an event or a silence is about; equal for the same thing at any time."""

    kind: SubjectKind
    key: str  # a DriveId, a PoolId, the name of a source, or a BoxId

    def __post_init__(self) -> None:
        """Refuse a nameless subject."""
        if not self.key:
            raise ValueError("a subject needs a key")

    def __str__(self) -> str:
        """Give the one-word form that is used in keys and on the command line."""
        return f"{self.kind}:{self.key}"


def about_drive(drive: DriveId) -> Subject:
    """Make the subject of a drive."""
    return Subject(kind=SubjectKind.DRIVE, key=drive)


def about_pool(pool: PoolId) -> Subject:
    """Make the subject of a pool."""
    return Subject(kind=SubjectKind.POOL, key=pool)


def about_source(source: str) -> Subject:
    """Make the subject of a source of facts, for instance ``kernel-log``."""
    return Subject(kind=SubjectKind.SOURCE, key=source)


_HEX = re.compile(r"[0-9a-f]+")
_NOT_WORD = re.compile(r"[^0-9A-Za-z.+-]+")


def drive_id(*, wwn: str | None, model: str | None, serial: str | None) -> DriveId | None:
    """Give the identity of a drive, or None when nothing that lasts is known about it.

    ``wwn`` is accepted as ``0x5000c500a0000000``, ``5000c500a0000000`` or with blanks between
    its parts. An all-zero or all-f WWN (seen on cheap bridges) identifies nothing, nor does one of
    which only the first digit, its kind, is set. Without a WWN a serial number is needed: a model
    alone is not an identity.
    """
    if wwn is not None:
        digits = wwn.lower().removeprefix("0x").removeprefix("naa.").replace(" ", "")
        told = set(digits[1:]) not in ({"0"}, {"f"})
        if _HEX.fullmatch(digits) and len(digits) in {16, 32} and told:
            return DriveId(f"wwn-{digits}")
    serial_word = _NOT_WORD.sub("_", (serial or "").strip()).strip("_")
    if not serial_word or set(serial_word) == {"0"}:
        return None
    model_word = _NOT_WORD.sub("_", (model or "").strip()).strip("_")
    return DriveId(f"{model_word}_{serial_word}" if model_word else serial_word)
