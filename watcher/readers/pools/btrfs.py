"""btrfs: what a filesystem over several devices can still lose.

Program: btrfs-progs 5.10 to 6.12 (run: 6.2), always as

    btrfs filesystem show --raw --mounted                once
    btrfs filesystem show --raw                          when that does not tell of all members
    btrfs filesystem usage -b MOUNT                      for each mounted filesystem
    btrfs device stats MOUNT
    btrfs scrub status MOUNT
    btrfs replace status -1 MOUNT
    btrfs balance status MOUNT
    btrfs inspect-internal dump-tree -t chunk DEVICE     when it is not mounted (reads only)

with /proc/self/mounts and the folder names in /sys/fs/btrfs. Exit statuses are not used: balance
uses 1 for "one is running" and ``device stats -c`` adds 64 for "there are counts"; an answer
counts when its text is complete. A filesystem on one device is no pool and is left out.

What it means: btrfs_judge.py.

Trap: without ``--mounted`` the program reads a little of every block device there is, and wakes
the drives that sleep. So it is asked that way only where a device carries a btrfs signature that
no mounted filesystem lists, or where signatures are not known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime
from typing import TypeVar

from watcher.facts.drive import Unread
from watcher.facts.pool import (
    Member,
    MemberState,
    Pool,
)
from watcher.facts.survey import Blindness
from watcher.readers.errors import CannotParse, CannotRead, ReadError
from watcher.readers.host import AS_ROOT, Ended, Host, require_exited
from watcher.readers.pools.btrfs_judge import MISSING_ROW, Seen, judge, pool_id
from watcher.readers.pools.btrfs_parse import (
    Device,
    Filesystem,
    lacks_rights,
    parse_chunks,
    parse_show,
    parse_usage,
)
from watcher.readers.pools.btrfs_work import (
    Mount,
    parse_balance,
    parse_device_stats,
    parse_mounts,
    parse_replace,
    parse_scrub,
    parse_writable,
)
from watcher.readers.pools.shape import (
    Blocks,
    PoolsRead,
    bare_name,
    blindness_of,
    cannot_open,
    on_device,
)

SOURCE = "btrfs"
SHOW_MOUNTED = ("btrfs", "filesystem", "show", "--raw", "--mounted")
SHOW = ("btrfs", "filesystem", "show", "--raw")
MOUNTS = "/proc/self/mounts"
MOUNTINFO = "/proc/self/mountinfo"
UDEV = "/run/udev/data"
"""Where signatures are kept; without it lsblk tells none, and none seen means nothing."""
SYSFS = "/sys/fs/btrfs"
REMEDY = "install btrfs-progs and run midwatch as root"

_T = TypeVar("_T")


def read(
    host: Host,
    blocks: Blocks,
    *,
    observed_at: datetime,
    carriers: Iterable[str] | None = None,
) -> PoolsRead:
    """Read all btrfs filesystems over several devices.

    ``carriers`` names the block devices that hold a btrfs signature, None when that is not
    known: without the program there are none only where there is no carrier either.
    """
    mounts = _mounts(host)
    mounted = _mounted_uuids(host)
    known = None if carriers is None else tuple(carriers)
    bare = known == () and not mounts and not mounted
    sure = host.exists(UDEV)
    if bare and sure:
        return PoolsRead(answered=(SOURCE,))
    try:
        filesystems = _listed(host, known if sure else None)
    except CannotRead as error:
        if bare and error.why is Unread.TOOL_MISSING:
            return PoolsRead(answered=(SOURCE,))
        raise
    pools: list[Pool] = []
    blind: list[Blindness] = []
    for one in filesystems:
        if one.own_devices < 2 and not one.unlisted_missing:
            continue
        seen, spots = _look(host, one, _mount_of(host, one, mounts), mounted)
        blind.extend(spots)
        pools.append(judge(one, seen, _members(host, blocks, one), observed_at=observed_at))
    blind.extend(_unlisted(host, filesystems, mounts, mounted, known or ()))
    return PoolsRead(
        pools=tuple(pools),
        blind=tuple(dict.fromkeys(blind)),
        answered=() if blind else (SOURCE,),
    )


def _listed(host: Host, carriers: tuple[str, ...] | None) -> tuple[Filesystem, ...]:
    """List the filesystems, and look at all devices of the box only where that is needed."""
    if carriers is not None:
        ran = host.run(SHOW_MOUNTED)
        if ran.ended is Ended.EXITED and not lacks_rights(ran.stderr):
            found = parse_show(ran.stdout)
            if not _uncovered(host, found, carriers):
                return found
    ran = require_exited(SOURCE, host.run(SHOW), remedy=REMEDY)
    if lacks_rights(ran.stderr):
        raise CannotRead(SOURCE, Unread.FORBIDDEN, "btrfs may not read the devices", remedy=AS_ROOT)
    return parse_show(ran.stdout)


def _nodes(host: Host, filesystems: tuple[Filesystem, ...]) -> frozenset[str]:
    """Give all names of the devices of some filesystems."""
    paths = {d.path for one in filesystems for d in one.devices if d.path is not None}
    return frozenset(paths | {host.real_path(path) for path in paths})


def _uncovered(
    host: Host, filesystems: tuple[Filesystem, ...], carriers: tuple[str, ...]
) -> tuple[str, ...]:
    """Name the devices with a signature that none of the filesystems lists."""
    nodes = _nodes(host, filesystems)
    return tuple(name for name in carriers if f"/dev/{name}" not in nodes)


def _unlisted(
    host: Host,
    filesystems: tuple[Filesystem, ...],
    mounts: tuple[Mount, ...],
    mounted: frozenset[str],
    carriers: tuple[str, ...],
) -> tuple[Blindness, ...]:
    """Tell of filesystems that are there by other signs, and that ``show`` does not list."""
    uuids = {one.uuid for one in filesystems}
    nodes = _nodes(host, filesystems)
    signs = [f"the filesystem {uuid} is mounted" for uuid in sorted(mounted - uuids)]
    signs += [
        f"{mount.source} is mounted at {mount.target}"
        for mount in mounts
        if mount.source not in nodes and host.real_path(mount.source) not in nodes
    ]
    signs += [
        f"/dev/{name} carries a btrfs signature" for name in carriers if f"/dev/{name}" not in nodes
    ]
    return tuple(
        Blindness(
            source=SOURCE,
            why=Unread.GARBLED,
            detail=f"{sign}, and btrfs filesystem show does not list it",
            remedy="run btrfs filesystem show by hand, as root, and see what it says",
        )
        for sign in signs
    )


def _mounted_uuids(host: Host) -> frozenset[str]:
    """Name the filesystems that the kernel has mounted; nothing when it has no btrfs."""
    try:
        names = host.list_dir(SYSFS)
    except FileNotFoundError:
        return frozenset()
    except OSError as error:
        raise cannot_open(SOURCE, SYSFS, error) from error
    return frozenset(name for name in names if name.count("-") == 4)


def _mounts(host: Host) -> tuple[Mount, ...]:
    """Give the btrfs mounts; read-only are those whose filesystem is, not just our view of it."""
    try:
        mounts = parse_mounts(host.read_text(MOUNTS))
    except OSError as error:
        raise cannot_open(SOURCE, MOUNTS, error) from error
    if not any(mount.read_only for mount in mounts):
        return mounts
    try:
        writable = parse_writable(host.read_text(MOUNTINFO))
    except (OSError, CannotParse):
        return mounts
    return tuple(
        replace(mount, read_only=mount.read_only and mount.target not in writable)
        for mount in mounts
    )


def _mount_of(host: Host, one: Filesystem, mounts: Iterable[Mount]) -> Mount | None:
    """Find where a filesystem is mounted: by any of its devices."""
    nodes = {host.real_path(device.path) for device in one.devices if device.path is not None}
    nodes |= {device.path for device in one.devices if device.path is not None}
    return next((m for m in mounts if m.source in nodes or host.real_path(m.source) in nodes), None)


def _ask(host: Host, argv: tuple[str, ...], lane: str, parse: Callable[[str], _T]) -> _T:
    """Run one command and parse what it prints."""
    source = " ".join(argv[:3])
    ran = require_exited(source, host.run(argv, lane=lane), remedy=REMEDY)
    if lacks_rights(ran.stderr) or lacks_rights(ran.stdout):
        raise CannotRead(source, Unread.FORBIDDEN, f"{source} lacks rights", remedy=AS_ROOT)
    return parse(ran.stdout)


def _look(
    host: Host, one: Filesystem, mount: Mount | None, mounted: frozenset[str]
) -> tuple[Seen, tuple[Blindness, ...]]:
    """Ask everything about one filesystem; each question that fails is one blind spot.

    One that hangs is the last: the next would hang as long, and all else would wait for it.
    """
    spots: list[Blindness] = []
    pool = pool_id(one)
    lane = f"btrfs:{one.uuid}"

    def ask(argv: tuple[str, ...], parse: Callable[[str], _T]) -> _T | None:
        if any(spot.why is Unread.HUNG for spot in spots):
            return None
        try:
            return _ask(host, argv, lane, parse)
        except ReadError as error:
            spots.append(blindness_of(SOURCE, error, pool=pool))
            return None

    if mount is None:
        if one.uuid in mounted:
            spots.append(
                Blindness(
                    source=SOURCE,
                    why=Unread.GARBLED,
                    detail=f"{one.uuid} is mounted, and its mount point was not found",
                    remedy="look at findmnt -t btrfs",
                    subject=None,
                )
            )
            return Seen(), tuple(spots)
        there = next((d.path for d in one.devices if d.path and not d.missing), None)
        if there is None:
            return Seen(), ()
        argv = ("btrfs", "inspect-internal", "dump-tree", "-t", "chunk", there)
        return Seen(groups=ask(argv, parse_chunks)), tuple(spots)
    at = mount.target
    usage = ask(("btrfs", "filesystem", "usage", "-b", at), parse_usage)
    errors = ask(("btrfs", "device", "stats", at), parse_device_stats)
    scrub = ask(("btrfs", "scrub", "status", at), parse_scrub)
    if scrub is not None and scrub.uuid != one.uuid:
        wrong = CannotParse("btrfs scrub status", f"it tells of {scrub.uuid}, not of {one.uuid}")
        spots.append(blindness_of(SOURCE, wrong, pool=pool))
        return Seen(mount=mount), tuple(spots)
    if usage is not None and (
        len(usage.devices) != len(one.devices) + one.unlisted_missing
        or usage.devices.count(MISSING_ROW) > one.gone
    ):
        wrong = CannotParse("btrfs filesystem usage", "it counts other devices than show does")
        spots.append(blindness_of(SOURCE, wrong, pool=pool))
        usage = None
    return Seen(
        mount=mount,
        groups=usage.groups if usage else None,
        capacity_bytes=usage.used_bytes + usage.free_bytes if usage else None,
        used_bytes=usage.used_bytes if usage else None,
        errors=errors,
        scrub=scrub,
        replacing=ask(("btrfs", "replace", "status", "-1", at), parse_replace),
        balance=ask(("btrfs", "balance", "status", at), parse_balance),
    ), tuple(spots)


def _members(host: Host, blocks: Blocks, one: Filesystem) -> tuple[Member, ...]:
    """Put the devices of a filesystem onto the drives of the box."""
    members = []
    for device in one.devices:
        member = _member_of(device)
        if device.path is not None and not device.missing:
            name = bare_name(host.real_path(device.path))
            member = on_device(member, name, blocks)
        members.append(member)
    return tuple(members)


def _member_of(device: Device) -> Member:
    if device.devid == 0:
        state = MemberState.REBUILDING
    else:
        state = MemberState.MISSING if device.missing else MemberState.GOOD
    return Member(
        name=f"devid {device.devid}",
        state=state,
        said="MISSING" if device.missing else "",
        capacity_bytes=device.size_bytes,
    )
