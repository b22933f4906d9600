"""Block devices as lsblk lists them; what lies below what is in block_map.py.

Program: ``lsblk`` of util-linux 2.27 and up (JSON); :data:`COMMAND` for 2.37 and up, which has
MOUNTPOINTS, and :data:`OLD_COMMAND` for older ones, which refuse an unknown column. Described in
lsblk(8). Numbers are numbers in newer versions and strings in older ones, truth is ``true``,
``"1"`` or ``1``: both are read.

Traps:

* The tree prints a node under each of its parents (an md array once per member); with ``--list``
  each node comes once and names only one parent. So parents are completed from
  ``/sys/block/NAME/slaves`` where that can be read.
* ``size`` of a loop device or card reader without medium is 0.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from watcher.facts.drive import Unread
from watcher.readers.block_map import DISKS, Block, BlockMap
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.host import Host, require_exited

SOURCE = "block-devices"

_COLUMNS = (
    "NAME,KNAME,PKNAME,PATH,TYPE,SIZE,MODEL,SERIAL,WWN,TRAN,ROTA,RM,FSTYPE,UUID,LABEL,"
    "LOG-SEC,PHY-SEC,HCTL,VENDOR,STATE"
)
COMMAND = ("lsblk", "--json", "--bytes", "--output", f"{_COLUMNS},MOUNTPOINTS")
OLD_COMMAND = (
    "lsblk",
    "--json",
    "--bytes",
    "--output",
    f"{_COLUMNS.replace(',PATH', '')},MOUNTPOINT",
)

LIMIT_SECONDS = 30.0
"""How long one run may take. Our choice: lsblk asks the kernel and udev, and no drive."""

REMEDY = "Install the package util-linux, which brings lsblk."

LINK_FOLDERS = (
    "/dev/disk/by-id",
    "/dev/disk/by-path",
    "/dev/disk/by-partuuid",
    "/dev/disk/by-partlabel",
    "/dev/disk/by-uuid",
    "/dev/mapper",
    "/dev/md",
)
"""Where other names of block devices are kept."""


def _text(entry: Mapping[str, Any], *names: str) -> str | None:
    """Give the first non-empty value of some columns as text."""
    for name in names:
        value = entry.get(name)
        if value is not None and not isinstance(value, (str, int, float, bool)):
            raise CannotParse(SOURCE, f"{name} is not a word", line=repr(value))
        if value is not None and str(value).strip():
            return str(value).strip()
    return None


def _number(entry: Mapping[str, Any], name: str) -> int | None:
    """Give a column as a count; None when it is empty."""
    value = entry.get(name)
    if value is None or value == "":
        return None
    if isinstance(value, bool) or not isinstance(value, (int, str)):
        raise CannotParse(SOURCE, f"{name} is not a number", line=repr(value))
    try:
        number = int(value)
    except ValueError as error:
        raise CannotParse(SOURCE, f"{name} is not a number", line=repr(value)) from error
    if number < 0:
        raise CannotParse(SOURCE, f"{name} is negative", line=repr(value))
    return number


def _truth(entry: Mapping[str, Any], name: str) -> bool | None:
    """Give a column as yes or no; None when it is empty."""
    value = entry.get(name)
    if value is None or value == "":
        return None
    if value in (True, 1, "1", "true"):
        return True
    if value in (False, 0, "0", "false"):
        return False
    raise CannotParse(SOURCE, f"{name} is neither yes nor no", line=repr(value))


def _mountpoints(entry: Mapping[str, Any]) -> tuple[str, ...]:
    """Give the mount points from the new list or the old single column."""
    many = entry.get("mountpoints")
    if many is None:
        one = _text(entry, "mountpoint")
        return (one,) if one else ()
    if not isinstance(many, list):
        raise CannotParse(SOURCE, "mountpoints is not a list", line=repr(many))
    return tuple(str(point) for point in many if point)


def _block_of(entry: Mapping[str, Any]) -> Block:
    """Read one entry, without its parents."""
    name = _text(entry, "name")
    kname = _text(entry, "kname") or name
    kind = _text(entry, "type")
    if name is None or kname is None or kind is None:
        raise CannotParse(SOURCE, "a device has no name or type", line=repr(dict(entry)))
    return Block(
        kname=kname.removeprefix("/dev/"),
        name=name.removeprefix("/dev/mapper/").removeprefix("/dev/"),
        kind=kind,
        size_bytes=_number(entry, "size"),
        model=_text(entry, "model"),
        vendor=_text(entry, "vendor"),
        serial=_text(entry, "serial"),
        wwn=_text(entry, "wwn"),
        transport=_text(entry, "tran"),
        rotating=_truth(entry, "rota"),
        removable=bool(_truth(entry, "rm")),
        filesystem=_text(entry, "fstype"),
        uuid=_text(entry, "uuid"),
        label=_text(entry, "label"),
        mountpoints=_mountpoints(entry),
        logical_sector_bytes=_number(entry, "log-sec") or None,
        physical_sector_bytes=_number(entry, "phy-sec") or None,
        hctl=_text(entry, "hctl"),
        state=_text(entry, "state"),
    )


def parse(text: str) -> BlockMap:
    """Read the JSON of lsblk, as a tree or flat; raises ``CannotParse`` for anything else."""
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise CannotParse(SOURCE, f"not JSON: {error}") from error
    entries = document.get("blockdevices") if isinstance(document, dict) else None
    if not isinstance(entries, list):
        raise CannotParse(SOURCE, "no list of blockdevices", line=text[:80])
    blocks: dict[str, Block] = {}
    parents: dict[str, set[str]] = {}
    waiting: list[tuple[object, str | None]] = [(entry, None) for entry in reversed(entries)]
    while waiting:
        entry, parent = waiting.pop()
        if not isinstance(entry, dict):
            raise CannotParse(SOURCE, "a device is not an object", line=repr(entry))
        lowered = {str(key).lower(): value for key, value in entry.items()}
        block = _block_of(lowered)
        blocks.setdefault(block.kname, block)
        above = parents.setdefault(block.kname, set())
        above.update(p for p in (parent, _text(lowered, "pkname")) if p)
        children = lowered.get("children") or []
        if not isinstance(children, list):
            raise CannotParse(SOURCE, "children is not a list", line=repr(children))
        waiting.extend((child, block.kname) for child in reversed(children))
    return BlockMap(
        tuple(
            replace(block, parents=tuple(sorted(parents[kname] - {kname})))
            for kname, block in sorted(blocks.items())
        )
    )


def _completed(host: Host, block: Block) -> Block:
    """Add what sysfs knows: all parents of a made device, the file behind a loop device."""
    folder = f"/sys/block/{block.kname.replace('/', '!')}"
    if block.kind == "loop":
        try:
            return replace(
                block, backing_file=host.read_text(f"{folder}/loop/backing_file").strip() or None
            )
        except OSError:
            return block  # not attached
    if block.kind in {*DISKS, "part", "rom"}:
        return block
    try:
        slaves = host.list_dir(f"{folder}/slaves")
    except OSError:
        return block  # a recording without sysfs: the tree has to do
    return replace(block, parents=tuple(sorted({*block.parents, *slaves})))


def _links(host: Host) -> tuple[tuple[str, str], ...]:
    """Collect the other names of block devices."""
    found: dict[str, str] = {}
    for folder in LINK_FOLDERS:
        try:
            names = host.list_dir(folder)
        except OSError:
            continue  # a folder that does not exist holds no names
        for name in names:
            path = f"{folder}/{name}"
            target = host.real_path(path)
            if target.startswith("/dev/") and target != path:
                found[path] = target.removeprefix("/dev/")
    return tuple(sorted(found.items()))


def read_blocks(host: Host) -> BlockMap:
    """Ask lsblk and sysfs of a host; raises ``CannotRead`` or ``CannotParse``."""
    ran = host.run(COMMAND, limit_seconds=LIMIT_SECONDS, lane=SOURCE)
    if ran.status and "unknown column" in ran.stderr:
        ran = host.run(OLD_COMMAND, limit_seconds=LIMIT_SECONDS, lane=SOURCE)
    require_exited(SOURCE, ran, remedy=REMEDY)
    if ran.status:
        said = ran.stderr.strip().splitlines()
        raise CannotRead(
            SOURCE,
            Unread.GARBLED,
            f"lsblk ended with status {ran.status}" + (f": {said[0]}" if said else ""),
            remedy="Run lsblk by hand and see what it says.",
        )
    plain = parse(ran.stdout)
    blocks = tuple(_completed(host, block) for block in plain.blocks)
    return BlockMap(blocks, links=_links(host))
