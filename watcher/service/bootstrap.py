"""Builds the parts of the service from the settings: the one place where they are put together."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from watcher.exposure.window import WindowPlan
from watcher.facts.identity import BoxId, DriveId
from watcher.facts.readiness import HowKnown
from watcher.readers.copies import CopyAsked, ThingAsked
from watcher.readers.discovery import ToldDrive
from watcher.readers.errors import ReadError
from watcher.readers.kernel_follow import ChildFollow, KernelRing, RealLogFile
from watcher.readers.kernel_source import boot_id, booted_at
from watcher.readers.runner import RealHost
from watcher.readers.survey import Looking, Surveyor
from watcher.rules.catalogue import CATALOGUE
from watcher.service.bell import JOURNAL_FROM_NOW, JournalBell, KernelBell
from watcher.service.desk import Standing
from watcher.service.settings import load, to_declared, to_policy, to_targets, to_tuning
from watcher.service.settings_ready import CopySettings
from watcher.service.settings_shape import Config
from watcher.store.database import Store, open_store

STORE_NAME = "midwatch.db"
USUAL_SETTINGS = "/etc/midwatch/midwatch.yaml"

FOLDER_MODE = 0o750


def rule_names() -> Mapping[str, tuple[str, ...]]:
    """Give the thresholds of every rule, to check the names that a settings file uses."""
    return {
        name: tuple(threshold.name for threshold in rule.thresholds)
        for name, rule in CATALOGUE.items()
    }


def usual_settings(given: str | None) -> str | None:
    """Choose the settings file: the one given, else the usual one where it is there, else none."""
    if given is not None:
        return given
    return USUAL_SETTINGS if Path(USUAL_SETTINGS).exists() else None


def load_settings(path: str | None, environ: Mapping[str, str], *, secrets: bool = True) -> Config:
    """Read and check the settings with all names known. Raises ConfigError with every fault."""
    return load(path, environ, rules=rule_names(), secrets=secrets)


def store_path(config: Config) -> Path:
    """Say where the store is."""
    return Path(config.state_directory or ".") / STORE_NAME


def open_state(config: Config, now: datetime, *, check: bool, make: bool = True) -> Store:
    """Open the store where the settings say; with ``make`` its folder is made first.

    Raises StoreError, or OSError when the folder cannot be made.
    """
    path = store_path(config)
    if make and not path.parent.is_dir():
        path.parent.mkdir(mode=FOLDER_MODE, parents=True, exist_ok=True)
    return open_store(path, now=now, check=check)


def box_of(config: Config) -> BoxId:
    """Give the name of this box."""
    return BoxId(config.box_name or "box")


def zone_of(config: Config) -> ZoneInfo:
    """Give the owner's time zone."""
    return ZoneInfo(config.zone or "UTC")


def to_standing(config: Config, drives: Mapping[str, DriveId] | None = None) -> Standing:
    """Give what the desk works by."""
    return Standing(
        box=box_of(config),
        policy=to_policy(config),
        tuning=to_tuning(config, drives),
        targets=to_targets(config),
        plan=WindowPlan(zone=zone_of(config)),
        page_url=config.web.public_url if config.web.enabled else "",
        beats=bool(config.heartbeat.url.reveal()),
    )


def to_looking(config: Config) -> Looking:
    """Give how the box is looked at."""
    return Looking(
        box=box_of(config),
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


def environment() -> Mapping[str, str]:
    """Give the environment; nothing else in the service reads it."""
    return os.environ
