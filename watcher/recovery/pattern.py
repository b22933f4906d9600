"""What is written in a burn-in: every sector says where it belongs.

Each sector of 512 bytes begins and ends with the same eight bytes, its number plus a base that the
seed gives; between them is a block of noise that the seed gives too. So a sector that was written
to the wrong place, or not written at all, is found when it is read back, and so is a single bit
that changed. The noise cannot be packed, so a drive that compresses is filled for real.

Two burn-ins have different seeds: what an earlier one left is never taken for what this one wrote.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from enum import StrEnum
from operator import ne
from typing import Final

SECTOR_BYTES: Final = 512
"""The smallest sector in use. A drive of larger ones holds several of ours in each."""

NOISE_BYTES: Final = 4 * 1024 * 1024
"""Length of the noise, and of what is written at once. Our choice: long enough that a drive is
kept busy, short enough for its cache."""

_STAMP_BYTES: Final = 8  # one machine word
_STEP: Final = SECTOR_BYTES // _STAMP_BYTES
_BASE_BITS: Final = 62  # leaves room in a stamp for the number of the sector
_SECTORS: Final = NOISE_BYTES // SECTOR_BYTES
_ONES: Final = int.from_bytes(b"\x01" + bytes(_STAMP_BYTES - 1), "little") * (
    ((1 << (8 * _STAMP_BYTES * _SECTORS)) - 1) // ((1 << (8 * _STAMP_BYTES)) - 1)
)
"""A one for each sector of a piece, side by side in one long number."""


class Misread(StrEnum):
    """What a sector that reads back wrong holds."""

    ELSEWHERE = "elsewhere"  # what belongs to another place
    ZEROS = "zeros"  # it was never written, or was wiped
    CHANGED = "changed"  # some of its bytes changed
    FOREIGN = "foreign"  # nothing of ours


@dataclass(frozen=True, slots=True, kw_only=True)
class Wrong:
    """One sector that reads back wrong."""

    sector: int
    kind: Misread
    belongs_to: int | None = None  # the sector whose content it holds
    bytes_wrong: int = 0

    @property
    def sentence(self) -> str:
        """Say it to the owner."""
        match self.kind:
            case Misread.ELSEWHERE:
                return f"Sector {self.sector} holds what belongs to sector {self.belongs_to}."
            case Misread.ZEROS:
                return f"Sector {self.sector} holds zeros in place of what was written."
            case Misread.CHANGED:
                return f"Sector {self.sector} came back with {self.bytes_wrong} wrong bytes."
            case Misread.FOREIGN:
                return f"Sector {self.sector} holds something that was not written now."


class Pattern:
    """Fills buffers for any place on a drive, and explains what came back wrong."""

    def __init__(self, seed: bytes) -> None:
        """Make the noise of a seed; the same seed gives the same pattern for ever."""
        if len(seed) < 8:
            raise ValueError("a seed needs at least 8 bytes")
        self._noise = hashlib.shake_256(b"noise" + seed).digest(NOISE_BYTES)
        digest = hashlib.shake_256(b"base" + seed).digest(8)
        self._base = int.from_bytes(digest, "little") % (1 << _BASE_BITS)
        self._row = int.from_bytes(
            b"".join(
                n.to_bytes(_STAMP_BYTES, "little") for n in range(self._base, self._base + _SECTORS)
            ),
            "little",
        )

    def prepare(self, buffer: memoryview) -> None:
        """Put the noise into a buffer of at most ``NOISE_BYTES``; once, before it is stamped."""
        buffer[:] = self._noise[: len(buffer)]

    def stamp(self, buffer: memoryview, at: int) -> None:
        """Make a prepared buffer the content of the place ``at``, a byte offset."""
        first, rest = divmod(at, SECTOR_BYTES)
        if rest or len(buffer) % SECTOR_BYTES:
            raise ValueError("places and lengths are whole sectors")
        numbers = self._numbers(first, len(buffer) // SECTOR_BYTES)
        words = buffer.cast("Q")
        words[::_STEP] = numbers
        words[_STEP - 1 :: _STEP] = numbers

    def _numbers(self, first: int, count: int) -> memoryview:
        """Give the numbers of some sectors in a row, in the byte order of the drive's pattern.

        All of a whole piece are raised at once, as one long number: half the time of a range.
        """
        if count != _SECTORS:
            low = self._base + first
            return memoryview(
                b"".join(n.to_bytes(_STAMP_BYTES, "little") for n in range(low, low + count))
            ).cast("Q")
        raised = self._row + _ONES * first
        return memoryview(raised.to_bytes(_SECTORS * _STAMP_BYTES, "little")).cast("Q")

    def expected(self, sector: int) -> bytes:
        """Give what a sector must hold."""
        at = (sector * SECTOR_BYTES) % NOISE_BYTES
        noise = self._noise[at : at + SECTOR_BYTES]
        stamp = (self._base + sector).to_bytes(_STAMP_BYTES, "little")
        return stamp + noise[_STAMP_BYTES:-_STAMP_BYTES] + stamp

    def explain(self, sector: int, got: bytes, sectors: int) -> Wrong | None:
        """Say what is wrong with a sector that was read; None when it is right.

        ``sectors`` is how many the drive has: a stamp beyond them is not one of ours.
        """
        want = self.expected(sector)
        if got == want:
            return None
        if not got.strip(b"\x00"):
            return Wrong(sector=sector, kind=Misread.ZEROS, bytes_wrong=SECTOR_BYTES)
        differ = sum(map(ne, got, want))
        owner = int.from_bytes(got[:_STAMP_BYTES], "little") - self._base
        if owner != sector and 0 <= owner < sectors and got == self.expected(owner):
            return Wrong(
                sector=sector, kind=Misread.ELSEWHERE, belongs_to=owner, bytes_wrong=differ
            )
        kind = Misread.CHANGED if differ <= SECTOR_BYTES // 2 else Misread.FOREIGN
        return Wrong(sector=sector, kind=kind, bytes_wrong=differ)
