"""The shape of the settings: every key, its type, its range and its default.

What each key means and why its default is what it is stands beside it in ``config/midwatch.yaml``;
a test keeps the two together. Values arrive as the text that was written (``settings_text.py``).
Units are part of the key names. Everything is frozen.
"""

from __future__ import annotations

import re
from datetime import datetime, time
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from watcher.facts.drive import Metric
from watcher.facts.finding import Urgency
from watcher.facts.pool import AtStake
from watcher.notify.secret import Secret

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Section(BaseModel):
    """A group of keys: unknown ones are errors, empty ones count as not given."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        arbitrary_types_allowed=True,
        str_strip_whitespace=True,
        hide_input_in_errors=True,
    )

    @model_validator(mode="before")
    @classmethod
    def _drop_empty(cls, given: Any) -> Any:  # noqa: ANN401 - whatever the file held
        if isinstance(given, dict):
            return {key: value for key, value in given.items() if value is not None}
        return given


def _clock(text: object) -> object:
    if isinstance(text, time):
        return text
    match = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", str(text))
    if match is None:
        raise ValueError("must be a time of day from 00:00 to 23:59, for instance 22:30")
    return time(int(match[1]), int(match[2]))


def _moment(text: object) -> object:
    if isinstance(text, datetime):
        return text
    try:
        return datetime.fromisoformat(str(text)) if str(text)[4:5] == "-" else _no_moment()
    except ValueError:
        return _no_moment()


def _no_moment() -> object:
    raise ValueError("must be a day or a moment, for instance 2030-05-31 or 2030-05-31 08:00")


def _weekday(text: object) -> object:
    word = str(text).strip().lower()[:3]
    if isinstance(text, int):
        return text
    if word not in WEEKDAYS:
        raise ValueError(f"must be one of {', '.join(WEEKDAYS)}")
    return WEEKDAYS.index(word)


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ValueError("must be the name of a time zone, for instance Europe/Oslo") from None
    return name


def _word(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}", text):
        raise ValueError("must be one word of at most 40 letters, digits, dots or dashes")
    return text


def _device_type(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9,+/._-]{0,39}", text):
        raise ValueError("must be a device type as smartctl's option -d takes it")
    return text


def _name(text: str) -> str:
    if not text or len(text) > 40 or not text.isprintable() or set(text) & set("/,:"):
        raise ValueError("must be a name of at most 40 letters without / , or :")
    return text


def _line(text: str) -> str:
    if "\n" in text or not text.isprintable():
        raise ValueError("must be one line without control characters")
    return text


def _web_address(text: str) -> str:
    if text and not re.fullmatch(r"https?://[^\s/]+(/\S*)?", text):
        raise ValueError("must begin with http:// or https://")
    return text.rstrip("/")


def _folder(text: str) -> str:
    if not text.startswith("/"):
        raise ValueError("must be a full path that begins with /")
    return text


def _hidden(text: object) -> object:
    if isinstance(text, str):
        return Secret(text)
    if isinstance(text, Secret):
        return text
    raise ValueError("must be one address")


def _whole(text: object) -> object:
    """Let only plain digits be a whole number: ``1_000`` and ``1e3`` are slips of the pen."""
    if isinstance(text, str) and not re.fullmatch(r"[+-]?\d{1,18}", text.strip()):
        raise ValueError("must be a whole number in digits")
    return text


def _number(text: object) -> object:
    if isinstance(text, str) and not re.fullmatch(r"[+-]?\d{1,18}(\.\d{1,9})?", text.strip()):
        raise ValueError("must be a number in digits")
    return text


Clock = Annotated[time, BeforeValidator(_clock)]
Moment = Annotated[datetime, BeforeValidator(_moment)]
Weekday = Annotated[int, BeforeValidator(_weekday)]
Zone = Annotated[str, AfterValidator(_zone)]
Word = Annotated[str, AfterValidator(_word)]
DeviceType = Annotated[str, AfterValidator(_device_type)]
Name = Annotated[str, AfterValidator(_name)]
Line = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_line)]
Address = Annotated[str, AfterValidator(_web_address)]
Folder = Annotated[str, AfterValidator(_folder)]
Whole = Annotated[int, BeforeValidator(_whole)]
Number = Annotated[float, BeforeValidator(_number)]
Hidden = Annotated[Secret, BeforeValidator(_hidden)]


class SecretPlace(Section):
    """An address that may be a secret: written here, or kept in a file or the environment."""

    url: Hidden = Secret("")
    url_file: str = ""
    url_env: str = ""


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


class HoursSettings(Section):
    """A daily span of local time; it may pass midnight."""

    begin: Clock
    end: Clock
    weekdays: tuple[Weekday, ...] = (0, 1, 2, 3, 4, 5, 6)


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
    value: Number


class OffSettings(ScopedSettings):
    """A rule that is not to speak."""

    rule: Word


class OwnRuleSettings(ScopedSettings):
    """A rule of the owner's: one metric, one comparison, one sentence."""

    name: Word
    metric: Metric
    over: Whole | None = None
    under: Whole | None = None
    rises_by: Annotated[Whole, Field(ge=1)] | None = None
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
    """An address of the owner's that is called while all sources are watched."""

    every_minutes: Annotated[Whole, Field(ge=1, le=24 * 60)] = 5


class WebSettings(Section):
    """The pages for the phone and the desk."""

    enabled: bool = False
    listen_address: str = "127.0.0.1"
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
