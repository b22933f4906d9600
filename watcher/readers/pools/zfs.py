"""ZFS: what a pool can still lose, from its tree of vdevs.

Program: OpenZFS 2.0 and up. First JSON (2.3 and up; run: 2.3.2), and where the program does not
know that option, text (2.1):

    zpool status -P -p -v -j --json-int
    zpool status -P -p -v -s
    zpool list -H -p -o name,guid,health            with the text: it lacks the pool's guid
    zpool list -v -H -p                             with the text: how many rows there must be
    zfs list -H -p -d 0                             what can be used

and /proc/spl/kstat/zfs/POOL/state. Described in zpool-status(8) and zpoolconcepts(7).

Traps, all seen in our own runs or told by the manual pages:

- A pulled drive stays ONLINE until something is written: each member's device is looked for.
- A suspended pool says so in one word, while all its vdevs may say ONLINE.
- The program can hang on a suspended pool; then the answer is a blind spot.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

from watcher.facts.drive import Unread
from watcher.facts.identity import DriveId, drive_id
from watcher.facts.pool import Member, Pool, PoolKind
from watcher.facts.survey import Blindness
from watcher.readers.errors import CannotParse, CannotRead, ReadError
from watcher.readers.host import Ended, Host, Ran, require_exited
from watcher.readers.pools import zfs_json, zfs_text
from watcher.readers.pools.shape import (
    Blocks,
    PoolsRead,
    bare_name,
    blindness_of,
    on_device,
)
from watcher.readers.pools.zfs_judge import POOL_WORDS, Usable, judge
from watcher.readers.pools.zfs_status import Status, Vdev
from watcher.readers.pools.zfs_tree import build

SOURCE = "zfs"
STATUS_JSON = ("zpool", "status", "-P", "-p", "-v", "-j", "--json-int")
STATUS_TEXT = ("zpool", "status", "-P", "-p", "-v", "-s")
LIST = ("zpool", "list", "-H", "-p", "-o", "name,guid,health")
ROWS = ("zpool", "list", "-v", "-H", "-p")
USABLE = ("zfs", "list", "-H", "-p", "-d", "0")
MODULE = "/sys/module/zfs"
KSTAT = "/proc/spl/kstat/zfs"
REMEDY = "install zfsutils-linux (or your distribution's ZFS tools)"
LANE = "zfs"


def read(
    host: Host,
    blocks: Blocks,
    *,
    observed_at: datetime,
    carriers: Iterable[str] | None = None,
    previous: Iterable[Pool] = (),
) -> PoolsRead:
    """Read all imported pools.

    ``carriers`` names the block devices that hold a ZFS label, None when that is not known:
    without the program or the module there are none only where there is no carrier either.
    ``previous`` are the pools of the last look: by them a pool is known of which only the kernel
    tells, because the program hangs.
    """
    ran = host.run(STATUS_JSON, lane=LANE)
    bare = carriers is not None and not tuple(carriers)
    if ran.ended is Ended.MISSING and bare and not host.exists(MODULE):
        return PoolsRead(answered=(SOURCE,))
    if _not_loaded(ran):
        if not bare:
            raise CannotRead(
                SOURCE, Unread.TOOL_MISSING, "the zfs module is not loaded", remedy="modprobe zfs"
            )
        return PoolsRead(answered=(SOURCE,))
    blind: list[Blindness] = []
    try:
        if ran.ended is not Ended.MISSING:
            require_exited(SOURCE, ran, remedy=REMEDY)
        if ran.ended is Ended.EXITED and ran.stdout.lstrip().startswith("{"):
            statuses = zfs_json.parse(ran.stdout)
        else:
            statuses = _from_text(host, blind)
    except ReadError as error:
        pools = _by_the_kernel(host, tuple(previous), observed_at)
        if not pools:
            raise
        return PoolsRead(pools=pools, blind=(blindness_of(SOURCE, error),))
    usable = _usable(host) if statuses else {}
    return PoolsRead(
        pools=tuple(
            judge(
                _suspended(host, status),
                build(status, lambda member, vdev: _placed(member, vdev, host, blocks)),
                observed_at=observed_at,
                usable=usable.get(status.name),
            )
            for status in statuses
        ),
        blind=tuple(blind),
        answered=() if blind else (SOURCE,),
    )


def _by_the_kernel(
    host: Host, previous: tuple[Pool, ...], observed_at: datetime
) -> tuple[Pool, ...]:
    """Give the pools of which the kernel says that they are not well, when zpool says nothing.

    The kernel's one word tells that a pool stopped, and never that it is well: others are left
    out, and stay a blind spot.
    """
    known = {pool.name: pool.pool for pool in previous if pool.kind is PoolKind.ZFS}
    found = []
    try:
        names = host.list_dir(KSTAT)
    except OSError:
        return ()  # no such folder: the kernel has no pools, or an older module
    for name in names:
        status = _suspended(host, Status(name=name, guid=None, said=""))
        if status.said:
            pool = judge(status, build(status, lambda m, _: m), observed_at=observed_at)
            found.append(replace(pool, pool=known.get(name, pool.pool)))
    return tuple(found)


def _not_loaded(ran: Ran) -> bool:
    return "modules are not loaded" in ran.stderr or "modules cannot be" in ran.stderr


def _from_text(host: Host, blind: list[Blindness]) -> tuple[Status, ...]:
    """Read the text form, with the guid from elsewhere and its rows counted."""
    ran = require_exited(SOURCE, host.run(STATUS_TEXT, lane=LANE), remedy=REMEDY)
    if not ran.stdout.strip() and ran.stderr.strip() == zfs_text.NO_POOLS:
        return ()
    pools = zfs_text.parse(ran.stdout)
    try:
        rows = require_exited(SOURCE, host.run(ROWS, lane=LANE), remedy=REMEDY)
        guids = require_exited(SOURCE, host.run(LIST, lane=LANE), remedy=REMEDY)
    except ReadError as error:
        if pools:
            blind.append(blindness_of(SOURCE, error))
        return pools
    listed = {line.split("\t")[0] for line in guids.stdout.splitlines()}
    if listed != {pool.name for pool in pools}:
        raise CannotParse(zfs_text.SOURCE, "it shows other pools than zpool list does")
    return tuple(with_list(pool, rows.stdout, guids.stdout) for pool in pools)


def with_list(pool: Status, rows: str, guids: str) -> Status:
    """Add the guid to a pool read from text, and check that no row of its table was lost."""
    mine, inside = 0, False
    for line in rows.splitlines():
        if not line.startswith("\t"):
            name = line.split("\t")[0]
            heading = name.split(" ")[0] in zfs_text.HEADINGS
            inside = name == pool.name or (inside and heading)
        elif inside:
            mine += 1
    told = sum(1 for top in pool.everything for _ in zfs_text.walk(top))
    if mine != told:
        raise CannotParse(
            zfs_text.SOURCE, f"{pool.name} has {mine} vdevs by zpool list, and {told} are shown"
        )
    for line in guids.splitlines():
        words = line.split("\t")
        whole = len(words) == 3 and words[1].isascii() and words[1].isdigit()
        if words[0] == pool.name and whole and words[2] in POOL_WORDS:
            return replace(pool, guid=words[1])
    raise CannotParse("zpool list", f"it does not tell the guid of {pool.name}")


def _usable(host: Host) -> dict[str, Usable]:
    """Give by pool what can be used; nothing when that cannot be told."""
    ran = host.run(USABLE, lane=LANE)
    found: dict[str, Usable] = {}
    for line in ran.stdout.splitlines() if ran.ended is Ended.EXITED else ():
        words = line.split("\t")
        if len(words) == 5 and words[1].isdecimal() and words[2].isdecimal():
            found[words[0]] = Usable(
                used_bytes=int(words[1]),
                available_bytes=int(words[2]),
                mount_point=words[4] if words[4].startswith("/") else None,
            )
    return found


def _suspended(host: Host, pool: Status) -> Status:
    """Let the kernel's own word for the pool win where it is worse."""
    try:
        word = host.read_text(f"{KSTAT}/{pool.name}/state").strip()
    except OSError:
        return pool  # older modules have no such file; status said what it said
    return replace(pool, said=word) if word == "SUSPENDED" else pool


_LINK = re.compile(r"(?:wwn-0x|scsi-3)(?P<wwn>[0-9a-f]{16}(?:[0-9a-f]{16})?)(?:-part\d+)?")


def _drive_of_link(path: str) -> tuple[DriveId, ...]:
    """Name the drive that a /dev/disk/by-id link is called after, for when it is gone."""
    found = _LINK.fullmatch(path.rsplit("/", 1)[-1])
    known = drive_id(wwn=found["wwn"], model=None, serial=None) if found else None
    return (known,) if known else ()


def _placed(member: Member, vdev: Vdev, host: Host, blocks: Blocks) -> Member:
    """Put a member onto its drive; one whose device is gone is missing, whatever ZFS says."""
    if vdev.path is None or vdev.kind not in {"disk", "missing"}:
        return member
    name = bare_name(host.real_path(vdev.path))
    if blocks.exists(name):
        return on_device(member, name, blocks)
    if blocks.exists(vdev.path):
        return replace(on_device(member, vdev.path, blocks), node=vdev.path)
    folder, _, link = vdev.path.rpartition("/")
    if folder != "/dev":
        try:
            listed = host.list_dir(folder)
        except OSError:
            return member  # the names in that folder are not known: ZFS's word stands
        if link in listed and name == bare_name(vdev.path):
            return member  # a link that was listed and cannot be followed tells nothing
    return replace(on_device(member, name, blocks), drives=_drive_of_link(vdev.path))
