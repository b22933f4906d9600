"""Builds the parts of the service from the settings: the one place where they are put together."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from watcher.exposure.window import WindowPlan
from watcher.facts.identity import BoxId
from watcher.rules.catalogue import CATALOGUE
from watcher.service.desk import Standing
from watcher.service.errors import ConfigError
from watcher.service.settings import load, to_hours, to_policy, to_targets, to_tuning
from watcher.service.settings_shape import Config

if TYPE_CHECKING:
    from watcher.readers.survey import Looking, Surveyor
    from watcher.service.bell import JournalBell, KernelBell
    from watcher.service.upkeep import Upkeep


def rule_names() -> Mapping[str, tuple[str, ...]]:
    """Give the thresholds of every rule, to check the names that a settings file uses."""
    return {
        name: tuple(threshold.name for threshold in rule.thresholds)
        for name, rule in CATALOGUE.items()
    }


def load_settings(path: str | None, environ: Mapping[str, str], *, lenient: bool = False) -> Config:
    """Read and check the settings with all names known. Raises ConfigError with every fault."""
    return load(path, environ, rules=rule_names(), lenient=lenient)


def load_to_begin(path: str | None, environ: Mapping[str, str]) -> tuple[Config, str]:
    """Give the settings for what begins to watch, and what must be said of them, "" if nothing.

    Nobody may stand by when a machine starts, so what may be meant as it stands keeps no watch from
    beginning. Raises ConfigError for any other fault.
    """
    try:
        return load_settings(path, environ), ""
    except ConfigError as found:
        if not found.may_be_meant:
            raise
        said = f"The settings are gone by as they stand, though they may not be meant so.\n{found}"
    return load_settings(path, environ, lenient=True), said


def box_of(config: Config) -> BoxId:
    """Give the name of this box."""
    return BoxId(config.box_name or "box")


def zone_of(config: Config) -> ZoneInfo:
    """Give the owner's time zone."""
    return ZoneInfo(config.zone or "UTC")


def to_standing(config: Config) -> Standing:
    """Give what the desk works by."""
    return Standing(
        box=box_of(config),
        policy=to_policy(config),
        tuning=to_tuning(config),
        targets=to_targets(config),
        plan=WindowPlan(zone=zone_of(config)),
        page_url=config.web.public_url if config.web.enabled else "",
        beats=bool(config.heartbeat.url.reveal() or config.hub.url),
    )


def to_looking(config: Config) -> Looking:
    """Give how the box is looked at."""
    from watcher.service import eyes  # noqa: PLC0415 - readers are loaded only where they look

    return eyes.to_looking(config)


def to_upkeep(config: Config) -> Upkeep | None:
    """Give how scrubs and self-tests are run; None unless the owner switched it on."""
    wanted = config.upkeep
    if not wanted.enabled:
        return None
    from watcher.recovery.calendar import Calendar  # noqa: PLC0415 - most boxes need neither
    from watcher.service.upkeep import Upkeep  # noqa: PLC0415 - loads readers

    return Upkeep(
        calendar=Calendar(
            scrub_every=timedelta(days=wanted.scrub_every_days),
            self_test_every=timedelta(days=wanted.self_test_every_days),
            self_tests_at_once=wanted.self_tests_at_once,
        ),
        busy=tuple(to_hours(hours) for hours in wanted.busy),
        zone=config.zone or "UTC",
        stop_above_celsius=wanted.stop_above_celsius,
    )


def surveyor_here(config: Config) -> Surveyor:
    """Build the surveyor of this machine."""
    from watcher.service import eyes  # noqa: PLC0415 - as above

    return eyes.surveyor_here(config)


def bell_here(config: Config, now: datetime) -> KernelBell | JournalBell | None:
    """Build the bell of this machine; None when the owner wants no kernel log, or it is deaf."""
    from watcher.service import eyes  # noqa: PLC0415 - as above

    return eyes.bell_here(config, now)
