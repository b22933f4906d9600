"""Which drives there are, and how each is addressed.

Three sources, merged: what the owner names in the configuration, what ``smartctl --scan-open``
finds, and the disks that the block layer has. A disk that smartctl does not list is still there: it
becomes a target like any other, and reading it tells why it is blind (a virtual disk has no SMART).

Program: ``smartctl --json=co --scan-open`` (:data:`COMMAND`), once. Its embedded text is also read
by pySMART's ``DeviceList``, one line at a time: one line that it stumbles over (an unknown device
type, an odd form) would lose it the whole list. The JSON leads; the text adds what it lacks.

Traps: smartctl lists an NVMe *controller* (``/dev/nvme0``), the block layer its namespaces, whose
number need not be the controller's; they are matched by serial number through
``/sys/class/nvme``. A RAID controller's drives all sit behind one node and differ in the type only.
The same drive seen by two paths is one target.

No drives: optical drives, floppies, RAM disks, zram, and anything made of drives (md, dm, zd). Loop
devices only where ``also`` names them, since a pool rests on them. Removable media (sticks, cards)
only where smartctl lists them or they are named.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from watcher.facts.drive import Unread
from watcher.facts.identity import DriveId
from watcher.facts.survey import Blindness
from watcher.readers.block_map import Block, BlockMap
from watcher.readers.drive_target import AUTO, DriveTarget, behind_controller
from watcher.readers.errors import CannotParse, CannotRead, ReadError
from watcher.readers.host import Host, require_exited
from watcher.readers.pysmart import DeviceList
from watcher.readers.second_reader import Replay

SOURCE = "drive-discovery"

COMMAND = ("smartctl", "--json=co", "--scan-open")

LIMIT_SECONDS = 30.0
"""How long the scan may take. Our choice: it asks each drive only who it is; but one hung drive
hangs it, and everything else waits for it."""

REMEDY = "Install the package smartmontools (7.0 or newer), and run as root."

_LINE = re.compile(r"(?:# )?(/\S+)\s+-d\s+(\S+)(?:\s+#.*)?")
_NAMESPACE = re.compile(r"(nvme\d+)(?:c\d+)?n\d+")


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldDrive:
    """What the owner tells of one drive: found by serial or by node (also a by-path link)."""

    serial: str | None = None
    node: str | None = None
    device_type: str | None = None
    bay: str | None = None
    watch: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The drives to ask, and what could not be looked at."""

    targets: tuple[DriveTarget, ...]
    blind: tuple[Blindness, ...] = ()
    left_out: tuple[DriveTarget, ...] = ()  # the owner does not want these watched

    @property
    def answered(self) -> bool:
        """Tell whether the list is complete, so that a drive that is not in it is gone."""
        return not self.blind


class _OneLine(DeviceList):
    """pySMART's discovery without its clean-up, which drops drives that told no capacity yet."""

    def _cleanup(self) -> None:
        """Keep all: whether a device is a drive is decided here, not there."""


def scanned_by_pysmart(lines: Sequence[str]) -> tuple[DriveTarget, ...]:
    """Let pySMART read a scan, each line by itself; a line it stumbles over is read plainly."""
    found: list[DriveTarget] = []
    for line in lines:
        match = _LINE.fullmatch(line.strip())
        if match is None:
            continue
        node, kind = match[1], match[2]
        try:
            devices = _OneLine(smartctl=Replay([line])).devices
        except (ValueError, LookupError, StopIteration, TypeError, AttributeError):
            devices = []
        nodes = [str(device.dev_reference) for device in devices] or [node]
        found.extend(DriveTarget(node=name, device_type=kind) for name in nodes)
    return tuple(found)


def parse(text: str) -> tuple[DriveTarget, ...]:
    """Read a scan (JSON, or the plain list); raises ``CannotParse`` for anything else."""
    if not text.lstrip().startswith("{"):
        targets = scanned_by_pysmart(text.splitlines())
        if text.strip() and not targets:
            raise CannotParse(SOURCE, "this is no list of devices", line=text[:80])
        return targets
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise CannotParse(SOURCE, f"not JSON, or cut: {error}", line=text[-80:]) from error
    head = document.get("smartctl")
    devices = document.get("devices", [])
    if not isinstance(head, dict) or not isinstance(devices, list):
        raise CannotParse(SOURCE, "this is no answer of smartctl", line=text[:80])
    found: list[DriveTarget] = []
    for device in devices:
        name = device.get("name") if isinstance(device, dict) else None
        kind = device.get("type") if isinstance(device, dict) else None
        if not isinstance(name, str) or not isinstance(kind, str) or not name or not kind:
            raise CannotParse(SOURCE, "a device has no name or type", line=repr(device))
        found.append(DriveTarget(node=name, device_type=kind))
    lines = head.get("output", [])
    if isinstance(lines, list):
        found.extend(scanned_by_pysmart([line for line in lines if isinstance(line, str)]))
    return tuple(dict.fromkeys(found))


def scan(host: Host) -> tuple[DriveTarget, ...]:
    """Ask smartctl once for all devices; raises ``CannotRead`` or ``CannotParse``."""
    ran = host.run(COMMAND, limit_seconds=LIMIT_SECONDS, lane=SOURCE)
    require_exited(SOURCE, ran, remedy=REMEDY)
    if ran.status & 0x03 and not ran.stdout.lstrip().startswith("{"):
        said = (ran.stdout + ran.stderr).strip().splitlines() or ["nothing"]
        raise CannotRead(SOURCE, Unread.TOOL_MISSING, f"smartctl said: {said[-1]}", remedy=REMEDY)
    return parse(ran.stdout)


def _controllers(host: Host) -> dict[str, str]:
    """Give the NVMe controllers by the serial number of their drive."""
    try:
        names = host.list_dir("/sys/class/nvme")
    except OSError:
        return {}  # no NVMe, or a recording without sysfs: names have to do
    found: dict[str, str] = {}
    for name in reversed(names):
        try:
            found[host.read_text(f"/sys/class/nvme/{name}/serial").strip()] = f"/dev/{name}"
        except OSError:
            continue  # a controller that is just going away has no serial any more
    return found


def _node_of(block: Block, controllers: dict[str, str]) -> str:
    """Give the node by which a disk is asked: for NVMe, its controller's."""
    match = _NAMESPACE.fullmatch(block.kname)
    if match is None:
        return block.node
    return controllers.get(block.serial or "", f"/dev/{match[1]}")


class _Merger:
    """Puts the three sources together, each drive once."""

    def __init__(self, host: Host, blocks: BlockMap | None, also: Iterable[str]) -> None:
        """Take the block map and the names of further devices that count as drives."""
        self._blocks = blocks
        self._controllers = _controllers(host)
        self._host = host
        self._disk_of: dict[str, Block] = {}
        extra = {block.kname for name in also if blocks and (block := blocks.block(name))}
        for block in blocks.blocks if blocks else ():
            if block.is_drive or block.kname in extra:
                self._disk_of.setdefault(_node_of(block, self._controllers), block)
        self._extra = extra
        self._targets: dict[tuple[str, str], DriveTarget] = {}
        self._drives: set[DriveId] = set()

    def add(self, target: DriveTarget) -> None:
        """Take a target unless its drive is there already."""
        block = self._block_of(target)
        node = _node_of(block, self._controllers) if block else target.node
        known, shared = target.known, target.shared
        alone = not behind_controller(target.device_type)
        if block is not None and self._blocks is not None and alone:
            known = self._blocks.identity_of(block.kname)
            shared = self._blocks.shared_id(block.kname)
        key = (node, "" if alone else target.device_type)
        if key in self._targets or (known is not None and known.drive in self._drives):
            return
        if block is not None and known is not None and self._is_lost_path(block, known.drive):
            return
        if known is not None:
            self._drives.add(known.drive)
        self._targets[key] = replace(target, node=node, known=known, shared=shared)

    def _is_lost_path(self, block: Block, drive: DriveId) -> bool:
        """Tell whether the kernel gave up this path to a drive, and another one stands."""
        if self._blocks is None or not self._blocks.is_given_up(block.kname):
            return False
        return any(not self._blocks.is_given_up(one.kname) for one in self._blocks.disks_of(drive))

    def _block_of(self, target: DriveTarget) -> Block | None:
        """Find the disk behind a node."""
        block = self._disk_of.get(target.node)
        if block is None and self._blocks is not None:
            block = self._blocks.block(target.node)
        return block

    def add_disks(self) -> None:
        """Take the disks of the block layer that nobody named yet."""
        for node, block in self._disk_of.items():
            named = block.kname in self._extra
            if named or not (block.removable or block.size_bytes == 0):
                self.add(DriveTarget(node=node))

    def told(self, drives: Sequence[ToldDrive], bays: dict[str, str]) -> Found:
        """Apply what the owner tells, and the enclosure's bays where the owner names none."""
        watched: list[DriveTarget] = []
        left_out: list[DriveTarget] = []
        for given in self._targets.values():
            block = self._block_of(given)
            target = given
            if block is not None and block.kname in bays:
                target = replace(target, bay=bays[block.kname])
            match = next((told for told in drives if self._is_meant(told, target)), None)
            if match is not None:
                target = replace(
                    target,
                    bay=match.bay or target.bay,
                    device_type=match.device_type or target.device_type,
                )
            if match is None or match.watch:
                watched.append(target)
            else:
                left_out.append(target)
        return Found(targets=tuple(watched), left_out=tuple(left_out))

    def lacks(self, told: ToldDrive) -> bool:
        """Tell that no target is the one the owner means: named, it is asked all the same."""
        return not any(self._is_meant(told, target) for target in self._targets.values())

    def _is_meant(self, told: ToldDrive, target: DriveTarget) -> bool:
        """Tell whether the owner's entry is about a target."""
        if told.serial:
            return target.known is not None and told.serial == target.known.serial
        if told.node is None:
            return False
        if behind_controller(told.device_type or "") or behind_controller(target.device_type):
            return (told.node, told.device_type) == (target.node, target.device_type)
        block = self._blocks.block(told.node) if self._blocks else None
        real = _node_of(block, self._controllers) if block else self._host.real_path(told.node)
        return real == target.node


_NO_BLOCKS = Blindness(
    source=SOURCE,
    why=Unread.TOOL_MISSING,
    detail="The block devices could not be listed: disks that smartctl does not know are unseen.",
    remedy="Install the package util-linux, which brings lsblk.",
)


_EMPTY_SCAN = Blindness(
    source=SOURCE,
    why=Unread.FORBIDDEN,
    detail="smartctl lists no drive although there are disks: any behind controllers are unseen.",
    remedy="Run as root: without the right to open devices, smartctl lists none and says nothing.",
)


def _has_real_disks(blocks: BlockMap) -> bool:
    """Tell whether there are disks that smartctl should list (not those of a virtual machine)."""
    return any(disk.kname.startswith(("sd", "nvme")) for disk in blocks.disks())


def discover(
    host: Host,
    *,
    blocks: BlockMap | None,
    told: Sequence[ToldDrive] = (),
    bays: dict[str, str] | None = None,
    also: Iterable[str] = (),
) -> Found:
    """Give all drives of a host. Never raises for what cannot be seen: that is in ``blind``.

    ``bays`` are the enclosure's names by disk (enclosure.bay_names); ``also`` names devices that
    count as drives although they are made of something (loop devices below a pool).
    """
    merger = _Merger(host, blocks, also)
    for drive in told:
        if drive.node and drive.device_type:
            merger.add(DriveTarget(node=drive.node, device_type=drive.device_type))
    blind = () if blocks is not None else (_NO_BLOCKS,)
    try:
        scanned = scan(host)
    except ReadError as error:
        scanned = ()
        blind = (*blind, _blindness(error))
    else:
        if not scanned and blocks is not None and _has_real_disks(blocks):
            blind = (*blind, _EMPTY_SCAN)
    for target in scanned:
        merger.add(target)
    merger.add_disks()
    for drive in told:
        if drive.node and merger.lacks(drive):
            merger.add(DriveTarget(node=drive.node, device_type=drive.device_type or AUTO))
    return replace(merger.told(told, bays or {}), blind=blind)


def _blindness(error: ReadError) -> Blindness:
    """Say that the scan gave nothing."""
    if isinstance(error, CannotRead):
        return Blindness(
            source=SOURCE,
            why=error.why,
            detail=f"The drives could not be listed: {error.detail}.",
            remedy=error.remedy or REMEDY,
        )
    return Blindness(
        source=SOURCE,
        why=Unread.GARBLED,
        detail=f"The list of drives could not be read: {error}.",
        remedy="Run `smartctl --scan-open` by hand and see what it says.",
    )
