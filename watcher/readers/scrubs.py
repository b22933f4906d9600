"""Starting and stopping a scrub of a pool, by the stack's own program.

* md: ``mdadm --action=check NODE``, stopped by ``--action=idle`` (mdadm(8), 3.3 and up);
* ZFS: ``zpool scrub NAME``, halted by ``zpool scrub -p NAME`` and taken up by the first again
  (zpool-scrub(8));
* btrfs: ``btrfs scrub start MOUNT``, stopped by ``btrfs scrub cancel MOUNT`` (btrfs-scrub(8)); it
  works on in the background;
* LVM RAID: ``lvchange --syncaction check VG/LV`` (lvchange(8)); there is no command to stop it.

None of them changes data (a difference in md is counted and not mended by ``check``; ZFS and btrfs
mend from a good copy, which is their ordinary reading).
"""

from __future__ import annotations

from watcher.facts.pool import Pool, PoolKind
from watcher.readers.host import Ended, Host, Ran

LIMIT_SECONDS = 60.0

CAN_SCRUB = frozenset({PoolKind.MD, PoolKind.ZFS, PoolKind.BTRFS, PoolKind.LVM})


def start_command(pool: Pool) -> tuple[str, ...] | None:
    """Give what starts a scrub; None where there is no way to."""
    match pool.kind:
        case PoolKind.MD if pool.node:
            return ("mdadm", "--action=check", pool.node)
        case PoolKind.ZFS:
            return ("zpool", "scrub", pool.name)
        case PoolKind.BTRFS if pool.node and not pool.node.startswith("/dev/"):
            return ("btrfs", "scrub", "start", pool.node)
        case PoolKind.LVM if pool.node:
            return ("lvchange", "--syncaction", "check", pool.node)
        case _:
            return None


def stop_command(pool: Pool) -> tuple[str, ...] | None:
    """Give what stops a scrub; None where there is no way to."""
    match pool.kind:
        case PoolKind.MD if pool.node:
            return ("mdadm", "--action=idle", pool.node)
        case PoolKind.ZFS:
            return ("zpool", "scrub", "-p", pool.name)
        case PoolKind.BTRFS if pool.node and not pool.node.startswith("/dev/"):
            return ("btrfs", "scrub", "cancel", pool.node)
        case _:
            return None


def do(host: Host, command: tuple[str, ...] | None, lane: str) -> str:
    """Run one of these commands; the reason when it did not do it, "" when it did."""
    if command is None:
        return "there is no command for this kind of pool"
    return refusal_of(host.run(command, limit_seconds=LIMIT_SECONDS, lane=lane))


def refusal_of(ran: Ran) -> str:
    """Say why a command did not do what was asked; "" when it did."""
    if ran.ended is Ended.EXITED and ran.status == 0:
        return ""
    if ran.ended is Ended.MISSING:
        return f"{ran.argv[0]} is not installed"
    said = (ran.stderr.strip().splitlines() or [""])[-1]
    return said or f"{ran.argv[0]} did not do it ({ran.ended.value}, status {ran.status})"
