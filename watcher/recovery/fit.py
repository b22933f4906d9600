"""Does this drive fit: may it take the place of that member?

Sources: md(4) and mdadm(8) (a component must be at least as large as the size in use); btrfs
replace --help ("needs to be same size or larger than the <srcdev>"); lvconvert(8); for parity on a
drive of its own: the handbook of file-level parity asks for a parity file as large as the largest
data disk (from memory). Sector sizes: 512e presents 512-byte sectors on 4,096-byte ones, 4Kn
presents 4,096-byte sectors (ATA ACS-3, "logical sector size", from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from watcher.exposure.life import Recording
from watcher.facts.drive import DriveIdentity, Medium, Protocol
from watcher.facts.pool import PoolKind, Role
from watcher.facts.units import say_bytes, say_count

SECTOR_BYTES: Final = 512
"""The unit in which a missing piece is told when the drive does not say its own."""


ANY_SECTORS: Final = frozenset({PoolKind.BTRFS, PoolKind.FILE_PARITY})
"""Pools that take a drive whatever the size of its sectors: btrfs works in blocks of 4,096 bytes,
parity on the level of files stands on filesystems of their own (from memory)."""


class Fitness(StrEnum):
    """How well a drive fits."""

    FITS = "fits"
    CHECK = "check"  # it may fit; something must be looked at first
    NO = "no"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What the new drive must stand in for. None means not known."""

    role: Role = Role.DATA
    drive_bytes: int | None = None  # of the drive that is replaced
    member_bytes: int | None = None  # of the part of it that the pool uses
    largest_data_bytes: int | None = None  # of the pool's data members, for a parity drive
    logical_sector_bytes: int | None = None
    protocol: Protocol = Protocol.UNKNOWN
    medium: Medium = Medium.UNKNOWN

    @property
    def needed_bytes(self) -> int | None:
        """The least size that fits for certain; None when it is not known."""
        if self.role is Role.PARITY and self.largest_data_bytes is not None:
            return self.largest_data_bytes
        return self.drive_bytes if self.drive_bytes is not None else self.member_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Whether a drive fits, and why not."""

    fitness: Fitness
    problems: tuple[str, ...] = ()  # why it cannot be used, a sentence each
    cautions: tuple[str, ...] = ()  # what to look at first, a sentence each

    @property
    def sentence(self) -> str:
        """Say it in one line."""
        if self.problems:
            return " ".join(self.problems)
        return " ".join(self.cautions) or "It fits."


def fits(new: DriveIdentity, place: Place, *, recording: Recording = Recording.UNKNOWN) -> Fit:
    """Say whether ``new`` can take a place. A size that is not known never fits unchecked."""
    problems: list[str] = []
    cautions: list[str] = []
    _size(new, place, problems, cautions)
    _interface(new, place, problems, cautions)
    _sectors(new, place, problems, cautions)
    _kind(new, place, recording, cautions)
    fitness = Fitness.NO if problems else Fitness.CHECK if cautions else Fitness.FITS
    return Fit(fitness=fitness, problems=tuple(problems), cautions=tuple(cautions))


def _size(new: DriveIdentity, place: Place, problems: list[str], cautions: list[str]) -> None:
    """Compare sizes to the sector."""
    size = new.capacity_bytes
    if size is None:
        cautions.append("Its size is not known: compare it to the sector before use.")
        return
    if place.role is Role.PARITY:
        _parity_size(new, size, place, problems, cautions)
    elif place.drive_bytes is not None and size < place.drive_bytes:
        missing = _missing(place.drive_bytes - size, new)
        if place.member_bytes is not None and place.member_bytes < size:
            cautions.append(
                f"It is {missing} smaller than the drive it replaces, and larger than the part "
                "that the pool uses: it may fit with a partition made to measure, or be refused."
            )
        else:
            problems.append(f"It is {missing} smaller than the drive it replaces.")
    elif place.drive_bytes is None and place.member_bytes is not None:
        if size < place.member_bytes:
            missing = _missing(place.member_bytes - size, new)
            problems.append(f"It is {missing} smaller than the member it replaces.")
    elif place.needed_bytes is None:
        cautions.append("How large it must be is not known: compare it with the other members.")


def _parity_size(
    new: DriveIdentity, size: int, place: Place, problems: list[str], cautions: list[str]
) -> None:
    """Compare a parity drive with the largest data member."""
    largest = place.largest_data_bytes
    if largest is None:
        cautions.append("A parity drive must be as large as the largest data member: check that.")
    elif size < largest:
        problems.append(
            f"It is {_missing(largest - size, new)} smaller than the largest data member "
            f"({say_bytes(largest)}); a parity drive must be at least as large."
        )
    if place.drive_bytes is not None and size < place.drive_bytes:
        cautions.append(
            f"It is {_missing(place.drive_bytes - size, new)} smaller than the parity drive that "
            "it replaces."
        )


def _missing(count: int, new: DriveIdentity) -> str:
    """Say a missing piece in sectors where it is small, in bytes where it is not."""
    unit = new.logical_sector_bytes or SECTOR_BYTES
    if count < 1_000_000_000:
        return say_count(-(-count // unit), "sector")
    return say_bytes(count)


def _interface(new: DriveIdentity, place: Place, problems: list[str], cautions: list[str]) -> None:
    """Compare interfaces."""
    was, now = place.protocol, new.protocol
    if Protocol.UNKNOWN in {was, now}:
        if was is not now:
            cautions.append("Check that its connector fits the bay.")
        return
    if was is now:
        return
    if Protocol.NVME in {was, now}:
        problems.append("Its connector does not fit: one of the two is NVMe, the other is not.")
    elif now is Protocol.SCSI:
        cautions.append("It is a SAS drive: it works only where the bay and the controller do SAS.")
    # a SATA drive works in a SAS bay


def _sectors(new: DriveIdentity, place: Place, problems: list[str], cautions: list[str]) -> None:
    """Compare sector sizes: 512, 512e (512 on 4,096) and 4Kn."""
    was, now = place.logical_sector_bytes, new.logical_sector_bytes
    if was is None or now is None:
        cautions.append("Sector size not known on both sides: compare before use (512 or 4,096).")
        return
    if now > was:
        problems.append(
            f"It has sectors of {now:,} bytes in place of {was:,}: most pools made on the smaller "
            "ones cannot take it."
        )
    # 512e in place of 512 is taken everywhere; only partitions that lie askew make it slow


def _kind(new: DriveIdentity, place: Place, recording: Recording, cautions: list[str]) -> None:
    """Warn of shingled drives, and of flash beside rotating ones."""
    if recording is Recording.SHINGLED:
        cautions.append(
            "It says that it is shingled: filling it in a rebuild can take many times longer, and "
            "some arrays give up on it. Better take another."
        )
    elif recording is Recording.UNKNOWN and new.medium is Medium.ROTATING:
        cautions.append(
            "Recording type not known: check the data sheet. A shingled drive can take many times "
            "longer in a rebuild."
        )
    if Medium.UNKNOWN not in {new.medium, place.medium} and new.medium is not place.medium:
        cautions.append(f"It is {new.medium.value} in place of {place.medium.value}.")
