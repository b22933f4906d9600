r"""May this drive be erased? Everything that speaks against it, each in a sentence.

Programs and files, each with a time limit:

* ``lsblk`` (blocks.py): the drive, its partitions, all that rests on it, mount points.
* ``blkid --probe --output export NODE`` of util-linux: a filesystem, RAID, LVM or partition-table
  signature at its usual place. Status 2 means that nothing was found; 8 that what was found is not
  clear (blkid(8), EXIT STATUS). ``--probe`` bypasses its cache.
* ``wipefs --no-act --json NODE``: every signature that can be erased, also those that blkid leaves
  out (backup tables, old RAID superblocks at the end). It changes nothing.
* ``/sys/class/block/NAME/``: ``holders/`` (who built something on it), ``ro``, ``partition`` (there
  for partitions only), ``size``.
* ``/proc/swaps``, ``/proc/self/mountinfo`` (by device number, so that other names do not hide it).

What cannot be told speaks against it too: a missing program, a status that is not known, a file
that cannot be read. Opening the drive exclusively (``O_EXCL``) is one more guard, at the door
itself; see service/raw_device.py.

Traps: a member of a pool of which no program runs here still has its signature. A drive behind two
paths appears twice, and each looks free. ``lsblk`` may be a moment late: ``udevadm settle`` before.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass

from watcher.facts.drive import DriveIdentity
from watcher.facts.identity import DriveId
from watcher.facts.pool import Pool, Protection
from watcher.readers.block_map import Block, BlockMap
from watcher.readers.blocks import read_blocks
from watcher.readers.errors import CannotParse, ReadError
from watcher.readers.host import Ended, Host, Ran

SOURCE = "erase-guard"
LIMIT_SECONDS = 30.0

_NOTHING_FOUND = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """What the person typed to say which drive is meant."""

    drive: str  # the drive id
    serial: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Guarded:
    """The drive, and all that speaks against erasing it; empty: nothing does."""

    node: str
    identity: DriveIdentity | None
    size_bytes: int | None
    against: tuple[str, ...]


def parse_blkid(text: str) -> tuple[str, ...]:
    """Give what blkid found, each as a word and its value; CannotParse for anything else."""
    found = []
    for line in text.splitlines():
        key, mark, value = line.strip().partition("=")
        if not key:
            continue
        if not mark or not key.replace("_", "").isalnum():
            raise CannotParse(SOURCE, "blkid wrote no KEY=value", line=line)
        if key in {"TYPE", "PTTYPE", "USAGE", "AMBIVALENT"}:
            found.append(f"{key.lower()} {value}")
    return tuple(found)


def parse_wipefs(text: str) -> tuple[str, ...]:
    """Give the signatures that wipefs found; CannotParse for anything else."""
    if not text.strip():
        return ()  # older versions print nothing where there is nothing
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise CannotParse(SOURCE, f"wipefs wrote no JSON: {error}") from error
    signatures = document.get("signatures") if isinstance(document, dict) else None
    if not isinstance(signatures, list):
        raise CannotParse(SOURCE, "wipefs wrote no list of signatures", line=text[:80])
    found = []
    for entry in signatures:
        if not isinstance(entry, dict) or not isinstance(entry.get("type"), str):
            raise CannotParse(SOURCE, "a signature has no type", line=repr(entry))
        found.append(f"{entry['type']} at {entry.get('offset', '?')}")
    return tuple(found)


def parse_swaps(text: str) -> tuple[str, ...]:
    """Give the devices that are swapped to; CannotParse when the table has no head."""
    lines = text.splitlines()
    if not lines or not lines[0].startswith("Filename"):
        raise CannotParse(SOURCE, "/proc/swaps has no head", line=text[:80])
    return tuple(line.split()[0] for line in lines[1:] if line.strip())


def parse_mounted_numbers(text: str) -> frozenset[str]:
    """Give the device numbers (``8:16``) of all mounts in mountinfo (proc_pid_mountinfo(5))."""
    numbers = set()
    for line in text.splitlines():
        fields = line.split()
        if len(fields) < 6 or ":" not in fields[2]:
            raise CannotParse(SOURCE, "a line of mountinfo is short", line=line)
        numbers.add(fields[2])
    return frozenset(numbers)


def _signatures(host: Host, node: str) -> list[str]:
    """Ask blkid and wipefs; what cannot be told speaks against it."""
    said: list[str] = []
    blkid = host.run(
        ("blkid", "--probe", "--output", "export", node), limit_seconds=LIMIT_SECONDS, lane=node
    )
    wipefs = host.run(
        ("wipefs", "--no-act", "--json", node), limit_seconds=LIMIT_SECONDS, lane=node
    )
    try:
        if blkid.ended is not Ended.EXITED or blkid.status not in {0, _NOTHING_FOUND}:
            said.append(f"Whether there is a signature on it cannot be told: {_why(blkid)}.")
        elif blkid.status == 0:
            found = ", ".join(parse_blkid(blkid.stdout)) or "something that it does not name"
            said.append(f"It is not empty: blkid finds {found}.")
        if wipefs.ended is not Ended.EXITED or wipefs.status != 0:
            said.append(f"Whether there is a signature on it cannot be told: {_why(wipefs)}.")
        elif signatures := parse_wipefs(wipefs.stdout):
            said.append(f"It is not empty: wipefs finds {', '.join(signatures)}.")
    except CannotParse as error:
        said.append(f"Whether there is a signature on it cannot be told: {error.reason}.")
    return said


def _why(ran: Ran) -> str:
    """Say why a program gave no usable answer."""
    if ran.ended is Ended.EXITED:
        words = (ran.stderr.strip().splitlines() or [""])[-1]
        return f"{ran.argv[0]} ended with status {ran.status}" + (f", {words}" if words else "")
    return {
        Ended.MISSING: f"{ran.argv[0]} is not installed",
        Ended.TIMED_OUT: f"{ran.argv[0]} gave no answer",
    }.get(ran.ended, f"{ran.argv[0]} could not be run")


def _in_use(host: Host, blocks: BlockMap, block: Block) -> list[str]:
    """Say by whom the drive is used now."""
    said: list[str] = []
    above = tuple(blocks.above(block.kname))
    parts = [other.kname for other in above if other.kind == "part"]
    if parts:
        said.append(f"It has partitions: {', '.join(sorted(parts))}.")
    others = sorted(other.name for other in above if other.kind != "part")
    if others:
        said.append(f"Something rests on it: {', '.join(others)}.")
    mounts = blocks.mounted_on(block.kname)
    if mounts:
        said.append(f"It is mounted on {', '.join(mounts)}.")
    names = {block.node, *(other.node for other in above)}
    folder = f"/sys/class/block/{block.kname}"
    try:
        holders = host.list_dir(f"{folder}/holders")
        if holders:
            said.append(f"The kernel built something on it: {', '.join(holders)}.")
        if host.read_text(f"{folder}/ro").strip() != "0":
            said.append("It is read-only.")
        number = host.read_text(f"{folder}/dev").strip()
        if number in parse_mounted_numbers(host.read_text("/proc/self/mountinfo")) and not mounts:
            said.append("It is mounted.")
        swaps = {host.real_path(path) for path in parse_swaps(host.read_text("/proc/swaps"))}
        if names & swaps:
            said.append("It is swapped to.")
    except (OSError, CannotParse) as error:
        said.append(f"Whether it is in use cannot be told: {error}.")
    return said


def _in_pools(pools: Iterable[Pool], drive: DriveId, node: str) -> list[str]:
    """Say which pools it belongs to, by this look or by the last one."""
    return [
        f"It is part of the pool {pool.name}."
        for pool in pools
        if any(drive in m.drives or (m.node or "") == node for m in pool.members)
    ]


def _is_meant(identity: DriveIdentity, named: Named) -> list[str]:
    """Compare what was typed with what the drive says of itself."""
    said = []
    if not identity.serial:
        said.append("It tells no serial number, so nobody can be sure which drive it is.")
    elif named.serial != identity.serial:
        said.append(f"Its serial number is {identity.serial}, not {named.serial or 'nothing'}.")
    if identity.drive.startswith("unidentified_"):
        said.append("It has no identity that lasts.")
    elif named.drive != identity.drive:
        said.append(f"Its id is {identity.drive}, not {named.drive or 'nothing'}.")
    return said


def _known_twice(blocks: BlockMap, drive: DriveId, block: Block) -> list[str]:
    """Say when the same drive is seen by another path too."""
    others = [other.kname for other in blocks.disks_of(drive) if other.kname != block.kname]
    return [f"It is reached by another path too: {', '.join(sorted(others))}."] if others else []


def guard(
    host: Host,
    device: str,
    *,
    identity: DriveIdentity | None,
    named: Named,
    pools: Iterable[Pool] = (),
    erases: bool = True,
) -> Guarded:
    """Look at a drive, and say all that speaks against erasing it (or, else, reading it).

    ``identity`` is what the drive says of itself (see spare.py). A drive that is only read may hold
    anything, but must be the one that is meant, and no member of a pool that has lost margin.
    """
    try:
        blocks = read_blocks(host)
    except ReadError as error:
        return Guarded(
            node=device,
            identity=identity,
            size_bytes=None,
            against=(f"The block devices cannot be listed: {error}.",),
        )
    block = blocks.block(device)
    if block is None:
        return Guarded(
            node=device,
            identity=identity,
            size_bytes=None,
            against=(f"There is no device {device}.",),
        )
    said: list[str] = []
    if not (block.is_drive or block.kind == "loop"):
        kind = "a partition" if block.kind == "part" else f"of kind {block.kind}"
        said.append(f"{block.node} is {kind}, not a whole drive.")
    if not block.size_bytes:
        said.append("It has no size: no medium, or not attached.")
    if identity is None:
        said.append("It does not say who it is.")
    else:
        said += _is_meant(identity, named)
        members = _in_pools(pools, identity.drive, block.node)
        if erases:
            said += members
            said += _known_twice(blocks, identity.drive, block)
        else:
            said += _bare_pools(pools, identity.drive)
    if erases:
        said += _in_use(host, blocks, block)
        said += _signatures(host, block.node)
    return Guarded(
        node=block.node,
        identity=identity,
        size_bytes=block.size_bytes,
        against=tuple(dict.fromkeys(said)),
    )


def _bare_pools(pools: Iterable[Pool], drive: DriveId) -> list[str]:
    """Say which pools must not be slowed down or strained now."""
    return [
        f"It is part of the pool {pool.name}, which has not its full margin: leave it in peace."
        for pool in pools
        if drive in pool.drives and pool.protection is not Protection.WHOLE
    ]
