"""What lies below what: the block devices of a box, traced to the physical drives. Pure.

Traps:

* A partition carries the WWN of its disk. An NVMe namespace's WWN names the namespace and not the
  drive: two namespaces of one controller are one drive, so NVMe goes by model and serial.
* Cheap bridges tell one made-up serial number for all drives in them, and some cheap drives share
  one World Wide Name. Two disks of one name are one drive on two paths only where serial number and
  WWN agree; otherwise they are told apart, by serial number or by the place they are plugged into.
* What ZFS, bcache or drbd make is called a disk, too: it is told by its name that it is no drive.
* A disk may have neither WWN nor serial (a virtual disk): its id says ``unidentified_`` and is as
  good as the device name, which changes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from watcher.facts.drive import DriveIdentity, Medium, Protocol
from watcher.facts.identity import DriveId, drive_id
from watcher.readers.twins import told_apart

_NO_DRIVE = re.compile(r"(?:zram|ram|nullb|fd|sr|md|dm-|loop|zd|bcache|drbd)\d+$")
_ARRAY = re.compile(r"md(?:_d)?\d+")
DISKS = frozenset({"disk", "zbc", "rbc"})
"""What lsblk calls a drive: also one that its host writes by zones, and one of the reduced command
set (util-linux, blkdev_scsi_type_to_name; from memory)."""
_GIVEN_UP = frozenset({"offline", "transport-offline", "dead"})
"""States of a disk in which all requests are refused: scsi_device_state_name of drivers/scsi, and
nvme_sysfs_show_state of drivers/nvme/host (both from memory)."""
_NOT_WORD = re.compile(r"[^0-9A-Za-z.+-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One block device."""

    kname: str  # the kernel's name: "sda1", "dm-3", "md0"
    name: str  # the mapper's name for device-mapper nodes, else the kernel's
    kind: str  # "disk", "part", "crypt", "lvm", "raid5", "loop", "rom", "mpath", …
    parents: tuple[str, ...] = ()  # kernel names, sorted
    size_bytes: int | None = None
    model: str | None = None
    vendor: str | None = None
    serial: str | None = None
    wwn: str | None = None
    transport: str | None = None  # "sata", "sas", "nvme", "usb"
    rotating: bool | None = None
    removable: bool = False
    filesystem: str | None = None
    uuid: str | None = None
    label: str | None = None
    mountpoints: tuple[str, ...] = ()
    logical_sector_bytes: int | None = None
    physical_sector_bytes: int | None = None
    hctl: str | None = None
    state: str | None = None
    backing_file: str | None = None  # of a loop device

    @property
    def node(self) -> str:
        """Give the device node that always exists: ``/dev/`` and the kernel's name."""
        return f"/dev/{self.kname}"

    @property
    def is_drive(self) -> bool:
        """Tell whether this is a physical (or virtual) drive, not something made of drives."""
        return self.kind in DISKS and not _NO_DRIVE.match(self.kname)


def loop_id(backing_file: str) -> DriveId:
    """Give the id of a loop device: it is as lasting as the file behind it."""
    path = backing_file.removesuffix(" (deleted)")
    return DriveId("loop_" + _NOT_WORD.sub("_", path).strip("_"))


def _own_id(block: Block) -> DriveId | None:
    """Give the id of a drive or a loop device, None for anything made of others."""
    if block.kind == "loop":
        return loop_id(block.backing_file) if block.backing_file else None
    if not block.is_drive:
        return None
    is_nvme = block.transport == "nvme" or block.kname.startswith("nvme")
    wwn = None if is_nvme else block.wwn
    known = drive_id(wwn=wwn, model=block.model, serial=block.serial)
    return known or DriveId(f"unidentified_{block.kname}")


def _alike(blocks: tuple[Block, ...]) -> dict[DriveId, list[Block]]:
    """Give the disks by the name they tell, namespaces left out: they share that of their drive."""
    found: dict[DriveId, list[Block]] = {}
    for block in blocks:
        own = _own_id(block) if block.is_drive else None
        if own is not None and not block.kname.startswith("nvme"):
            found.setdefault(own, []).append(block)
    return found


_PROTOCOLS = {"sata": Protocol.ATA, "ata": Protocol.ATA, "sas": Protocol.SCSI, "fc": Protocol.SCSI}


@dataclass(frozen=True, slots=True)
class BlockMap:
    """All block devices of a box at one moment, and what lies below what."""

    blocks: tuple[Block, ...]
    links: tuple[tuple[str, str], ...] = ()  # other path → kernel name
    aliases: tuple[tuple[DriveId, DriveId], ...] = ()  # id seen here → id the drive itself tells
    twins: frozenset[DriveId] = frozenset()  # ids known to be told by several drives
    _by_kname: dict[str, Block] = field(init=False, repr=False, compare=False)
    _by_other: dict[str, str] = field(init=False, repr=False, compare=False)
    _alias: dict[DriveId, DriveId] = field(init=False, repr=False, compare=False)
    _apart: dict[str, tuple[DriveId, DriveId]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Make the look-up tables."""
        object.__setattr__(self, "_by_kname", {block.kname: block for block in self.blocks})
        other = dict(self.links)
        for block in self.blocks:
            if block.name != block.kname:
                other.setdefault(block.name, block.kname)
                other.setdefault(f"/dev/mapper/{block.name}", block.kname)
        object.__setattr__(self, "_by_other", other)
        object.__setattr__(self, "_alias", dict(self.aliases))
        object.__setattr__(self, "_apart", told_apart(_alike(self.blocks), self.links, self.twins))

    def block(self, name: str) -> Block | None:
        """Find a device by kernel name, ``/dev`` path, mapper name or any recorded link."""
        short = name.removeprefix("/dev/")
        kname = self._by_other.get(name) or self._by_other.get(short) or short
        return self._by_kname.get(kname)

    def exists(self, name: str) -> bool:
        """Tell whether there is a device of that name now."""
        return self.block(name) is not None

    def is_given_up(self, name: str) -> bool:
        """Tell whether the kernel lets nothing through any more to a device that is there.

        Such a disk goes on being listed, and a pool that is idle goes on counting on it. Looked at
        are the device and what it is alone on: a partition's disk, a locked device's.
        """
        block = self.block(name)
        while block is not None:
            if block.state in _GIVEN_UP:
                return True
            alone = block.kind in {"part", "crypt"} and len(block.parents) == 1
            block = self._by_kname.get(block.parents[0]) if alone else None
        return False

    def _id_of(self, block: Block) -> DriveId | None:
        """Give a device's own id, as the drive itself tells it where that was learned."""
        apart = self._apart.get(block.kname)
        own = apart[1] if apart is not None else _own_id(block)
        return None if own is None else self._alias.get(own, own)

    def shared_id(self, name: str) -> DriveId | None:
        """Give the id that a disk tells and that another drive tells too; None when it is alone."""
        block = self.block(name)
        apart = self._apart.get(block.kname) if block is not None else None
        return apart[0] if apart is not None else None

    def drives_below(self, name: str) -> tuple[DriveId, ...]:
        """Give the drives that a device rests on, sorted, each once; empty when it is not here."""
        found = {
            identity for block in self.below(name) if (identity := self._id_of(block)) is not None
        }
        return tuple(sorted(found))

    def arrays_below(self, name: str) -> tuple[str, ...]:
        """Give the md arrays that a device rests on, as nodes; none when also on anything else."""
        found: set[str] = set()
        start = self.block(name)
        waiting = [start] if start else []
        seen: set[str] = set()
        while waiting:
            block = waiting.pop()
            if block.kname in seen:
                continue
            seen.add(block.kname)
            if _ARRAY.fullmatch(block.kname):
                found.add(f"/dev/{block.kname}")
                continue
            if not block.parents or not self._by_kname.keys() >= set(block.parents):
                return ()  # a disk, or something that is not listed
            waiting.extend(self._by_kname[parent] for parent in block.parents)
        return tuple(sorted(found))

    def below(self, name: str) -> Iterator[Block]:
        """Walk a device and all that it rests on, each once."""
        start = self.block(name)
        waiting = [start] if start else []
        seen: set[str] = set()
        while waiting:
            block = waiting.pop()
            if block.kname in seen:
                continue
            seen.add(block.kname)
            yield block
            waiting.extend(self._by_kname[p] for p in block.parents if p in self._by_kname)

    def above(self, name: str) -> Iterator[Block]:
        """Walk all that rests on a device, each once, without the device itself."""
        start = self.block(name)
        waiting = [start.kname] if start else []
        seen = set(waiting)
        while waiting:
            kname = waiting.pop()
            for block in self.blocks:
                if kname in block.parents and block.kname not in seen:
                    seen.add(block.kname)
                    waiting.append(block.kname)
                    yield block

    def drive_of_disk(self, name: str) -> DriveId | None:
        """Give the id of a disk (or loop device); None for anything else or when not here."""
        block = self.block(name)
        return None if block is None else self._id_of(block)

    def disks(self) -> tuple[Block, ...]:
        """Give the devices that are drives, by name."""
        return tuple(block for block in self.blocks if block.is_drive)

    def disks_of(self, drive: DriveId) -> tuple[Block, ...]:
        """Give the disks by which a drive is seen: several with multipath or namespaces."""
        return tuple(block for block in self.blocks if self._id_of(block) == drive)

    def identity_of(self, name: str) -> DriveIdentity | None:
        """Give what is known of a disk without asking it; None when it is no disk."""
        block = self.block(name)
        drive = None if block is None else self._id_of(block)
        if block is None or drive is None:
            return None
        protocol = _PROTOCOLS.get(block.transport or "", Protocol.UNKNOWN)
        if block.kname.startswith("nvme"):
            protocol = Protocol.NVME
        return DriveIdentity(
            drive=drive,
            model=block.model or "",
            serial=block.serial or "",
            wwn=block.wwn,
            capacity_bytes=block.size_bytes or None,
            protocol=protocol,
            # ROTA says 1 for many virtual disks and bridges: only "0" is worth something
            medium=Medium.FLASH if block.rotating is False else Medium.UNKNOWN,
            logical_sector_bytes=block.logical_sector_bytes,
            physical_sector_bytes=block.physical_sector_bytes,
        )

    def mounted_on(self, name: str) -> tuple[str, ...]:
        """Give the mount points of a device and of all that rests on it, sorted."""
        start = self.block(name)
        found = set(start.mountpoints) if start else set()
        for block in self.above(name):
            found.update(block.mountpoints)
        return tuple(sorted(found))

    @property
    def shared(self) -> frozenset[DriveId]:
        """Give the ids that several drives tell, or told."""
        return self.twins | {name for name, _ in self._apart.values()}

    def with_twins(self, twins: Iterable[DriveId]) -> BlockMap:
        """Give a map that tells apart what is known to be told by several drives."""
        return replace(self, twins=self.twins | frozenset(twins))

    def with_aliases(self, aliases: Mapping[DriveId, DriveId]) -> BlockMap:
        """Give a map that uses the ids the drives themselves told (see drives.learn_ids)."""
        return replace(self, aliases=tuple(sorted({**self._alias, **aliases}.items())))
