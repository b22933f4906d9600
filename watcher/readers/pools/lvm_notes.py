"""What a logical volume is busy with, and what is odd about it.

Sources: lvmraid(7), lvs(8) for the words of ``lv_health_status``, and the kernel's dm-raid.rst for
those of ``sync_action``.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from watcher.facts.pool import (
    Member,
    MemberState,
    Noted,
    Protection,
    Remark,
    Work,
    WorkKind,
    WorkState,
)
from watcher.facts.units import say_count
from watcher.readers.pools.lvm_report import RaidStatus, Report, Volume
from watcher.readers.pools.md_work import BUILD_BEGINS_WITHIN, SLOWEST_KIB_PER_SECOND
from watcher.readers.pools.shape import unknown_word

HEALTH = frozenset({"", "partial", "refresh needed", "mismatches exist", "writemostly"})
"""lvs(8), ``lv_health_status`` of raid and plain volumes."""
ACTIONS = frozenset({"", "idle", "frozen", "resync", "recover", "check", "repair", "reshape"})
"""dm-raid.rst, ``sync_action``."""
_KINDS = {
    "resync": WorkKind.RESYNC,
    "recover": WorkKind.REBUILD,
    "check": WorkKind.SCRUB,
    "repair": WorkKind.REPAIR,
    "reshape": WorkKind.RESHAPE,
}


def work_of(
    volume: Volume,
    status: RaidStatus | None,
    observed_at: datetime,
    members: tuple[Member, ...],
) -> Work | None:
    """Say what the volume is doing, None for nothing."""
    action = volume.action or (status.action if status else "")
    if action == "frozen":
        is_filling = any(m.state is MemberState.REBUILDING for m in members)
        return Work(kind=WorkKind.REBUILD, state=WorkState.PAUSED) if is_filling else None
    kind = _KINDS.get(action)
    if kind is None:
        return None
    fraction = None if volume.synced_percent is None else volume.synced_percent / 100
    done: int | None = None
    total: int | None = None
    if status is not None and status.total > 0 and status.done <= status.total:
        fraction = status.done / status.total
        done, total = status.done * 512, status.total * 512
    if kind is WorkKind.RESYNC and _is_first(volume, done, observed_at):
        kind = WorkKind.FIRST_BUILD
    return Work(kind=kind, done_fraction=fraction, done_bytes=done, total_bytes=total)


def _is_first(volume: Volume, done: int | None, observed_at: datetime) -> bool:
    """Tell a first build from a resync after an unclean stop, by the volume's age (see md_work)."""
    try:
        made = datetime.strptime(volume.made, "%Y-%m-%d %H:%M:%S %z").astimezone(UTC)
    except ValueError:
        return False  # not told: the graver of the two
    limit = timedelta(seconds=(done or 0) / 1024 / SLOWEST_KIB_PER_SECOND) + BUILD_BEGINS_WITHIN
    return observed_at - made <= limit


def notes_of(
    report: Report,
    volume: Volume,
    status: RaidStatus | None,
    members: tuple[Member, ...],
    gone: tuple[str, ...],
    work: Work | None,
) -> Iterator[Noted]:
    """Give all remarks; ``gone`` names the images whose device left unnoticed."""
    for name in gone:
        yield Noted(
            remark=Remark.DEVICE_GONE,
            text=f"LVM still counts on {name}, but its device is not there any more, or the kernel "
            "has given it up.",
            member=name,
        )
    for member in members:
        if "refresh needed" in member.said:
            yield Noted(
                remark=Remark.REFRESH_NEEDED,
                text=f"{member.name} failed for a time and is out of step, though its device "
                "answers again: it must be refreshed before it counts.",
                member=member.name,
            )
    yield from listed_missing(report, volume)
    if volume.mismatches and volume.action != "repair":
        amount = say_count(
            volume.mismatches, "sector that does not agree", "sectors that do not agree"
        )
        yield Noted(
            remark=Remark.COPIES_DIFFER,
            text=f"The last check counted {amount} between the images.",
            amount=volume.mismatches,
        )
    if volume.action == "frozen":
        yield Noted(remark=Remark.FROZEN, text="Repairs of the volume are held (frozen).")
    if work is not None and work.kind is WorkKind.RESYNC and volume.kind[:5] in _PARITY:
        yield Noted(
            remark=Remark.PARITY_STALE,
            text="Parity is being brought in step after an unclean stop: until that is done, a "
            "lost drive may cost what was being written at that moment.",
            at_most=Protection.BARE,
        )
    yield from _doubts(volume, status, members, work)


_PARITY = frozenset({"raid4", "raid5", "raid6"})


def _doubts(
    volume: Volume,
    status: RaidStatus | None,
    members: tuple[Member, ...],
    work: Work | None,
) -> Iterator[Noted]:
    """Find what does not fit together: then the volume is not known to be well."""
    if volume.health not in HEALTH:
        yield unknown_word(f"{volume.group}/{volume.name}", volume.health)
    if volume.action not in ACTIONS:
        yield unknown_word(f"{volume.group}/{volume.name}", volume.action)
    all_good = all(member.state is MemberState.GOOD for member in members)
    bad_health = volume.health in {"partial", "refresh needed"}
    bad_letter = volume.attributes[8] in "prXF"
    unfinished = volume.synced_percent is not None and volume.synced_percent < 100
    if all_good and (bad_health or bad_letter or (unfinished and work is None)):
        yield Noted(
            remark=Remark.FEW_CHECKS,
            text="LVM calls the volume out of order, and no image could be found that is.",
            at_most=Protection.UNKNOWN,
        )
    if status is None and volume.is_active and volume.kind != "mirror":
        yield Noted(
            remark=Remark.FEW_CHECKS,
            text="The kernel's own word on each image could not be read.",
        )
    if not volume.is_active:
        yield Noted(
            remark=Remark.INACTIVE,
            text="The volume is not active: whether its images are in step cannot be seen.",
        )


def listed_missing(report: Report, volume: Volume) -> Iterator[Noted]:
    """Tell of devices that are gone and that the volume's group still lists."""
    for device in report.devices:
        if device.is_missing and device.group == volume.group:
            last = (report.last_seen or {}).get(device.uuid)
            seen = f", last seen on {last}" if last else ""
            yield Noted(
                remark=Remark.LISTED_MISSING,
                text=f"The volume group {volume.group} still lists a device that is gone "
                f"({device.uuid}{seen}).",
            )
