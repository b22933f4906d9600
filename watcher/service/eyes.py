"""The part of the service that looks, built from the settings.

Apart from ``bootstrap``, because it loads every reader, which a desk that looks through another
process need not.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime, timedelta

from watcher.facts.identity import BoxId
from watcher.facts.pool import Role
from watcher.facts.readiness import HowKnown
from watcher.readers.copies import CopyAsked, ThingAsked
from watcher.readers.discovery import ToldDrive
from watcher.readers.errors import ReadError
from watcher.readers.kernel_follow import ChildFollow, KernelRing, RealLogFile
from watcher.readers.kernel_source import boot_id, booted_at
from watcher.readers.pools.declared import DeclaredMember, DeclaredPool
from watcher.readers.runner import RealHost
from watcher.readers.survey import Looking, Surveyor
from watcher.service.bell import JOURNAL_FROM_NOW, JournalBell, KernelBell
from watcher.service.settings_ready import CopySettings
from watcher.service.settings_shape import Config


def to_looking(config: Config) -> Looking:
    """Give how the box is looked at."""
    return Looking(
        box=BoxId(config.box_name or "box"),
        told=tuple(
            ToldDrive(
                serial=drive.serial,
                node=drive.node,
                device_type=drive.device_type,
                bay=drive.bay,
                watch=drive.watch,
            )
            for drive in config.drives
        ),
        declared=to_declared(config),
        irreplaceable=to_things(config),
        limit_seconds=float(config.survey.drive_timeout_seconds),
        wake=config.survey.wake_sleeping_drives,
        kernel_log=config.kernel_log.source,
        kernel_log_file=config.kernel_log.file,
    )


def to_things(config: Config) -> tuple[ThingAsked, ...]:
    """Give what the owner declares irreplaceable, and how its copies are recognised."""
    return tuple(
        ThingAsked(
            name=thing.name,
            paths=thing.paths,
            copies=tuple(_copy_asked(copy) for copy in thing.copies),
        )
        for thing in config.irreplaceable
    )


def _copy_asked(copy: CopySettings) -> CopyAsked:
    """Give one copy as it is looked at."""
    where: tuple[str, ...]
    if copy.newest_file_below is not None:
        how, where = HowKnown.NEWEST_FILE, (copy.newest_file_below,)
    elif copy.marker_file is not None:
        how, where = HowKnown.MARKER, (copy.marker_file,)
    else:
        how, where = HowKnown.COMMAND, copy.command
    return CopyAsked(
        name=copy.name,
        how=how,
        where=where,
        fresh_for=timedelta(days=copy.fresh_days),
        limit_seconds=float(copy.limit_seconds),
        off_site=copy.off_site,
        medium=copy.medium or "",
    )


def surveyor_here(config: Config) -> Surveyor:
    """Build the surveyor of this machine."""
    return Surveyor(RealHost(), to_looking(config), ring=KernelRing, file=RealLogFile)


def bell_here(config: Config, now: datetime) -> KernelBell | JournalBell | None:
    """Build the bell of this machine; None when the owner wants no kernel log, or it is deaf."""
    if config.kernel_log.source == "none":
        return None
    host = RealHost()
    with suppress(ReadError):
        started = booted_at(host, now)
        bell = KernelBell(KernelRing, boot=boot_id(host), booted_at=started)
        if not bell.is_deaf:
            return bell
    if config.kernel_log.source not in {"auto", "journal"}:
        return None
    follows = JournalBell(lambda: ChildFollow(JOURNAL_FROM_NOW))
    return None if follows.is_deaf else follows


def to_declared(config: Config) -> tuple[DeclaredPool, ...]:
    """Give the pools that the owner declares."""
    return tuple(
        DeclaredPool(
            name=pool.name,
            members=(
                *(DeclaredMember(name=name) for name in pool.drives),
                *(DeclaredMember(name=name, role=Role.PARITY) for name in pool.parity_drives),
            ),
            bears=pool.may_lose,
            at_stake=pool.at_stake,
        )
        for pool in config.pools
    )
