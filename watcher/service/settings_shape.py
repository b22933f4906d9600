"""The shape of the settings: every key, its type, its range and its default.

What each key means and why its default is what it is stands beside it in ``config/midwatch.yaml``;
a test keeps the two together. Values arrive as the text that was written (``settings_text.py``).
Units are part of the key names. Everything is frozen.
"""

from __future__ import annotations

from datetime import time
from typing import Annotated, Literal

from pydantic import Field, model_validator

from watcher.facts.drive import Metric
from watcher.facts.finding import Urgency
from watcher.facts.pool import AtStake
from watcher.service.settings_hub import HubSettings, ShopSettings
from watcher.service.settings_ready import IrreplaceableSettings, UpkeepSettings
from watcher.service.settings_types import (
    Address,
    Clock,
    DeviceType,
    Folder,
    HoursSettings,
    Line,
    ListensAt,
    Moment,
    Name,
    Number,
    SecretPlace,
    Section,
    Weekday,
    Whole,
    Word,
    Zone,
)

_LARGEST = 10**18
"""Of a value in a rule of the owner's: as much as the history holds of any counter."""


class SurveySettings(Section):
    """How often and how the box is looked at."""

    every_minutes: Annotated[Whole, Field(ge=1, le=24 * 60)] = 10
    deep_every_hours: Annotated[Whole, Field(ge=1, le=31 * 24)] = 24
    drive_timeout_seconds: Annotated[Whole, Field(ge=5, le=600)] = 60
    wake_sleeping_drives: bool = False


class KernelLogSettings(Section):
    """Where the kernel log is read."""

    source: Literal["auto", "journal", "kmsg", "file", "none"] = "auto"
    file: Folder = "/var/log/kern.log"


class DriveSettings(Section):
    """What the owner knows of one drive."""

    serial: Line | None = None
    node: Folder | None = None
    device_type: DeviceType | None = None
    bay: Line | None = None
    watch: bool = True


class PoolSettings(Section):
    """A pool that cannot be seen from here, as the owner declares it."""

    name: Word
    drives: Annotated[tuple[Line, ...], Field(min_length=1)]
    parity_drives: tuple[Line, ...] = ()
    may_lose: Annotated[Whole, Field(ge=0, le=63)]
    at_stake: AtStake = AtStake.POOL


class TargetSettings(SecretPlace):
    """One way to reach a person."""

    name: Word
    urgencies: Annotated[tuple[Urgency, ...], Field(min_length=1)] = (
        Urgency.NOW,
        Urgency.TODAY,
        Urgency.THIS_WEEK,
        Urgency.NOTE,
    )


class PersonSettings(Section):
    """Somebody who can be told."""

    name: Name
    zone: Zone | None = None
    quiet: tuple[HoursSettings, ...] = ()
    away_until: Moment | None = None
    targets: tuple[TargetSettings, ...] = ()


class RungSettings(Section):
    """Who is told together, and how long they have to answer."""

    people: Annotated[tuple[Name, ...], Field(min_length=1)]
    wait_minutes: Annotated[Whole, Field(ge=1, le=7 * 24 * 60)]


class LadderSettings(Section):
    """Who is told after whom, for some urgencies, pools or boxes."""

    urgencies: Annotated[tuple[Urgency, ...], Field(min_length=1)] = (
        Urgency.NOW,
        Urgency.TODAY,
        Urgency.THIS_WEEK,
    )
    pools: tuple[Line, ...] = ()
    boxes: tuple[Line, ...] = ()
    clients: tuple[Line, ...] = ()
    rungs: Annotated[tuple[RungSettings, ...], Field(min_length=1)]
    repeat_first_minutes: Annotated[Whole, Field(ge=1, le=7 * 24 * 60)] = 15
    repeat_longest_minutes: Annotated[Whole, Field(ge=1, le=7 * 24 * 60)] = 240


class DigestSettings(Section):
    """When the regular "still watching" message goes out."""

    at: Clock = time(9, 0)
    weekdays: tuple[Weekday, ...] = (0,)
    zone: Zone | None = None


class CaseSettings(Section):
    """How cases are opened, gathered and closed."""

    settle_minutes: Annotated[Whole, Field(ge=0, le=24 * 60)] = 10
    gather_seconds: Annotated[Whole, Field(ge=0, le=600)] = 60
    longest_answer_days: Annotated[Whole, Field(ge=1, le=365)] = 30
    longest_silence_days: Annotated[Whole, Field(ge=1, le=365)] = 90


class DeliverySettings(Section):
    """How messages leave."""

    timeout_seconds: Annotated[Whole, Field(ge=2, le=120)] = 20
    give_up_hours: Annotated[Whole, Field(ge=1, le=14 * 24)] = 72


class ScopedSettings(Section):
    """For whom a change of a rule holds; nothing given: for all."""

    box: Line | None = None
    drive: Line | None = None
    model: Line | None = None
    pool: Line | None = None


class ThresholdSettings(ScopedSettings):
    """Another value for one threshold of one rule."""

    rule: Word
    threshold: Word
    value: Annotated[Number, Field(ge=0, le=1_000_000)]  # days beyond it leave the calendar


class OffSettings(ScopedSettings):
    """A rule that is not to speak."""

    rule: Word


class OwnRuleSettings(ScopedSettings):
    """A rule of the owner's: one metric, one comparison, one sentence."""

    name: Word
    metric: Metric
    over: Annotated[Whole, Field(ge=-_LARGEST, le=_LARGEST)] | None = None
    under: Annotated[Whole, Field(ge=-_LARGEST, le=_LARGEST)] | None = None
    rises_by: Annotated[Whole, Field(ge=1, le=_LARGEST)] | None = None
    within_hours: Annotated[Whole, Field(ge=1, le=366 * 24)] | None = None
    urgency: Urgency
    sentence: Line
    next_step: Line = "Do what you had in mind when you wrote this rule."

    @model_validator(mode="after")
    def _one_comparison(self) -> OwnRuleSettings:
        given = [word for word in ("over", "under", "rises_by") if getattr(self, word) is not None]
        if len(given) != 1:
            raise ValueError("must have exactly one of over, under and rises_by")
        if (self.rises_by is not None) != (self.within_hours is not None):
            raise ValueError("rises_by needs within_hours, and only rises_by has it")
        return self


class RuleSettings(Section):
    """What the owner changed about the rules."""

    thresholds: tuple[ThresholdSettings, ...] = ()
    off: tuple[OffSettings, ...] = ()
    own: tuple[OwnRuleSettings, ...] = ()


class HeartbeatSettings(SecretPlace):
    """An address of the owner's that is called while looks are taken and come back."""

    every_minutes: Annotated[Whole, Field(ge=1, le=24 * 60)] = 5


class WebSettings(Section):
    """The pages for the phone and the desk."""

    enabled: bool = False
    listen_address: ListensAt = "127.0.0.1"
    listen_port: Annotated[Whole, Field(ge=1, le=65535)] = 8377
    public_url: Address = ""


class Config(Section):
    """All settings of one box."""

    box_name: Line | None = None
    client: Line | None = None
    zone: Zone | None = None
    state_directory: Folder | None = None
    survey: SurveySettings = SurveySettings()
    kernel_log: KernelLogSettings = KernelLogSettings()
    drives: tuple[DriveSettings, ...] = ()
    pools: tuple[PoolSettings, ...] = ()
    people: tuple[PersonSettings, ...] = ()
    ladders: tuple[LadderSettings, ...] = ()
    digest: DigestSettings = DigestSettings()
    cases: CaseSettings = CaseSettings()
    delivery: DeliverySettings = DeliverySettings()
    rules: RuleSettings = RuleSettings()
    heartbeat: HeartbeatSettings = HeartbeatSettings()
    web: WebSettings = WebSettings()
    irreplaceable: tuple[IrreplaceableSettings, ...] = ()
    upkeep: UpkeepSettings = UpkeepSettings()
    hub: HubSettings = HubSettings()
    shop: ShopSettings = ShopSettings()
