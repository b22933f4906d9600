"""What one drive said at one moment, or why it could not be asked."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import overload

from watcher.facts.checks import require_utc
from watcher.facts.identity import DriveId


class Protocol(StrEnum):
    """The command set a drive speaks."""

    ATA = "ata"
    SCSI = "scsi"
    NVME = "nvme"
    UNKNOWN = "unknown"


class Medium(StrEnum):
    """What the data rests on."""

    ROTATING = "rotating"
    FLASH = "flash"
    UNKNOWN = "unknown"


class Verdict(StrEnum):
    """The drive's own overall judgement of itself."""

    PASSED = "passed"
    FAILING = "failing"
    UNKNOWN = "unknown"


class Metric(StrEnum):
    """A number that a drive reports, with its unit, under one name for every kind of drive.

    A metric that is absent from a reading was not reported: that is "not known", never zero.
    """

    TEMPERATURE_CELSIUS = "temperature-celsius"
    POWER_ON_HOURS = "power-on-hours"
    POWER_CYCLES = "power-cycles"
    UNSAFE_SHUTDOWNS = "unsafe-shutdowns"
    REALLOCATED_SECTORS = "reallocated-sectors"  # ATA 5; device statistics page 3
    REALLOCATION_EVENTS = "reallocation-events"  # ATA 196
    PENDING_SECTORS = "pending-sectors"  # ATA 197; device statistics page 3; pending defects log
    OFFLINE_UNCORRECTABLE = "offline-uncorrectable"  # ATA 198
    REPORTED_UNCORRECTABLE = "reported-uncorrectable"  # ATA 187; device statistics page 4
    COMMAND_TIMEOUTS = "command-timeouts"  # ATA 188
    SPIN_RETRIES = "spin-retries"  # ATA 10
    INTERFACE_CRC_ERRORS = "interface-crc-errors"  # ATA 199; device statistics page 6
    LOAD_CYCLES = "load-cycles"  # ATA 193
    HELIUM_PERCENT = "helium-percent"  # ATA 22, normalised value
    WEAR_PERCENT = "wear-percent"  # share of rated writes used; may pass 100
    SPARE_PERCENT = "spare-percent"  # reserve blocks left
    SPARE_THRESHOLD_PERCENT = "spare-threshold-percent"
    CRITICAL_WARNING = "critical-warning"  # NVMe health log byte 0, a bit field
    MEDIA_ERRORS = "media-errors"  # NVMe unrecovered data-integrity errors
    ERROR_LOG_ENTRIES = "error-log-entries"
    GROWN_DEFECTS = "grown-defects"  # SCSI grown defect list
    READ_ERRORS_UNCORRECTED = "read-errors-uncorrected"  # SCSI log page 03
    WRITE_ERRORS_UNCORRECTED = "write-errors-uncorrected"  # SCSI log page 02
    VERIFY_ERRORS_UNCORRECTED = "verify-errors-uncorrected"  # SCSI log page 05
    NON_MEDIUM_ERRORS = "non-medium-errors"  # SCSI log page 06
    BYTES_READ = "bytes-read"
    BYTES_WRITTEN = "bytes-written"
    TEMPERATURE_WARNING_CELSIUS = "temperature-warning-celsius"  # the drive's own upper limit
    TEMPERATURE_CRITICAL_CELSIUS = "temperature-critical-celsius"
    TEMPERATURE_HIGHEST_CELSIUS = "temperature-highest-celsius"  # over its life
    WAIT_MICROSECONDS = (
        "wait-microseconds"  # mean for each request since the last look, by the kernel
    )
    THROUGHPUT_BYTES_PER_SECOND = (
        "throughput-bytes-per-second"  # read and written since the last look, by the kernel
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribute:
    """One row of an ATA attribute table, as printed (the raw value may be packed)."""

    number: int  # 1 to 255
    name: str
    value: int | None  # normalised; sinks towards the threshold
    worst: int | None
    threshold: int | None
    raw: int
    raw_text: str
    prefail: bool  # flag bit 0: at the threshold means loss is near, not only old age
    failing_now: bool
    failed_before: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfTest:
    """One entry of a drive's self-test log, newest first in a reading."""

    kind: str  # "short", "extended", …, as the drive names it
    passed: bool | None  # None: still running, aborted, or not known
    found_damage: bool  # ended with a read, electrical or mechanical failure
    power_on_hours: int | None  # when it ran
    first_bad_lba: int | None

    @property
    def is_full(self) -> bool:
        """Whether it reads the whole drive, by its name in smartctl's log.

        "Extended offline" and "captive" (ATA), "Background long" and "Foreground long" (SCSI),
        "Extended" (NVMe). A short, conveyance or selective test reads a part of it, and of one with
        another name it is not known.
        """
        kind = self.kind.lower()
        return kind.startswith("extended") or kind.endswith("long")


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """How long a drive tries to read or write a bad sector, and how long the kernel waits for it.

    Of reading and writing the longer; what a drive does not tell is no ``Recovery`` at all.
    """

    limit_milliseconds: int | None  # None: no limit is set, or the drive knows none
    knows_limit: bool = True  # False: the drive says that it cannot be given one
    kernel_seconds: int | None = None  # until the kernel gives a command up; None: not known


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveIdentity:
    """Who a drive is: what does not change while it lives."""

    drive: DriveId
    model: str
    serial: str
    wwn: str | None = None
    firmware: str | None = None
    capacity_bytes: int | None = None
    protocol: Protocol = Protocol.UNKNOWN
    medium: Medium = Medium.UNKNOWN
    rotation_rpm: int | None = None
    logical_sector_bytes: int | None = None
    physical_sector_bytes: int | None = None
    family: str | None = None  # what the tool's drive table calls it


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveReading:
    """A complete answer of one drive: what it is, what it counts, what it thinks of itself."""

    identity: DriveIdentity
    observed_at: datetime
    node: str  # where it was seen, for instance /dev/sda
    device_type: str  # how it was addressed, for instance "sat" or "megaraid,4"
    bay: str | None = None  # in the owner's words
    verdict: Verdict = Verdict.UNKNOWN
    metrics: tuple[tuple[Metric, int], ...] = ()  # each metric at most once
    attributes: tuple[Attribute, ...] = ()
    self_tests: tuple[SelfTest, ...] = ()
    self_test_remaining_percent: int | None = None  # while one runs
    recovery: Recovery | None = None  # None: the drive does not tell
    exit_status: int = 0  # of smartctl, a bit field
    doubts: tuple[str, ...] = ()  # what was odd in the answer, in a sentence each
    source: str = ""  # program and version
    raw: str = ""  # the answer itself, kept so that a better parser can be run over the past

    def __post_init__(self) -> None:
        """Check the time, and that no metric is named twice."""
        require_utc(self.observed_at, "observed_at")
        names = [metric for metric, _ in self.metrics]
        if len(names) != len(set(names)):
            raise ValueError("a metric is named twice in one reading")

    def metric(self, wanted: Metric) -> int | None:
        """Give the value of a metric, or None when the drive did not report it."""
        for metric, value in self.metrics:
            if metric is wanted:
                return value
        return None


SAME_NAME = (
    "Another drive here tells the same serial number or World Wide Name, as cheap bridges and "
    "drives do; they are told apart by what else is known, such as where each is plugged in."
)
"""The doubt about a drive whose own name is not its own alone."""


WARNING_OFF = "The drive's own failure warning is switched off."
"""The doubt about a SCSI drive that tells its counts and was told not to say that it is failing."""


SWITCHED_OFF = "SMART is switched off"
"""How the detail of a drive begins that could tell how it is and was told not to."""


class Unread(StrEnum):
    """Why a drive gave no reading."""

    FORBIDDEN = "forbidden"  # we lack the right to ask
    VANISHED = "vanished"  # the device is not there, or does not answer an identify
    ASLEEP = "asleep"  # spun down; we did not wake it
    HUNG = "hung"  # the time limit passed, or an earlier child is still stuck on it
    GARBLED = "garbled"  # an answer that does not parse, or was cut
    TOOL_MISSING = "tool-missing"  # no smartctl
    NO_SMART = "no-smart"  # a virtual disk, a bridge or a stick without SMART
    NOT_YET = "not-yet"  # asked, and not waited for to the end: a person wants to see the rest


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveUnread:
    """A drive that is, or should be, there and gave no reading this time."""

    node: str
    why: Unread
    detail: str  # one sentence for the owner
    observed_at: datetime
    drive: DriveId | None = None  # None when it could not be told which drive this is
    device_type: str = ""
    model: str | None = None
    serial: str | None = None
    capacity_bytes: int | None = None
    bay: str | None = None

    def __post_init__(self) -> None:
        """Check the time."""
        require_utc(self.observed_at, "observed_at")


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """How one metric of one drive changed: its change points, oldest first.

    The first point is the value that held when the window began, the last is the latest value.
    """

    metric: Metric
    points: tuple[tuple[datetime, int], ...]

    def rise_since(self, moment: datetime) -> int | None:
        """Give how far the metric rose above its value at ``moment``; None when not known.

        A fall below that value (a counter reset, a drive that relearned) counts as 0 rise from
        the lowest value since.
        """
        if not self.points:
            return None
        base = self.points[0][1]
        since = []
        for at, value in self.points:
            if at <= moment:
                base = value
            else:
                since.append(value)
        floor = min([base, *since])
        return self.points[-1][1] - floor


def span_of(trace: Trace | None) -> tuple[int, int] | None:
    """Give the lowest and the highest value of a trace, or None where there are none."""
    if trace is None or not trace.points:
        return None
    values = [value for _, value in trace.points]
    return min(values), max(values)


class TracesAsAsked(Sequence[Trace]):
    """The traces of a drive, each made when it is first asked for: most of them never are.

    Equal to a tuple of the same traces. What they are made from is checked before, so that making
    one never fails.
    """

    __slots__ = ("_made",)

    def __init__(self) -> None:
        """Begin with none made."""
        self._made: dict[Metric, Trace | None] = {}

    @abstractmethod
    def metrics(self) -> tuple[Metric, ...]:
        """Name the metrics that have a trace, each once, in order."""

    @abstractmethod
    def make(self, metric: Metric) -> Trace | None:
        """Make the trace of a metric; None when it was never recorded."""

    def span(self, metric: Metric) -> tuple[int, int] | None:
        """Give the lowest and the highest value in the trace of a metric, or None without any."""
        return span_of(self.of(metric))

    def of(self, metric: Metric) -> Trace | None:
        """Give the trace of a metric, or None when it was never recorded."""
        if metric not in self._made:
            self._made[metric] = self.make(metric)
        return self._made[metric]

    def __iter__(self) -> Iterator[Trace]:
        """Give all of them, in order."""
        for metric in self.metrics():
            found = self.of(metric)
            if found is not None:
                yield found

    def __len__(self) -> int:
        """Tell how many there are."""
        return len(self.metrics())

    @overload
    def __getitem__(self, at: int) -> Trace: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Trace]: ...
    def __getitem__(self, at: int | slice) -> Trace | Sequence[Trace]:
        """Give one by its place, or some."""
        return tuple(self)[at]

    def __eq__(self, other: object) -> bool:
        """Compare with the same traces, however they are kept."""
        if isinstance(other, TracesAsAsked | tuple):
            return tuple(self) == tuple(other)
        return NotImplemented

    def __hash__(self) -> int:
        """Give the same number as the tuple."""
        return hash(tuple(self))

    def __repr__(self) -> str:
        """Show the traces."""
        return repr(tuple(self))


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivePast:
    """What history knows of one drive, up to but without the survey at hand."""

    identity: DriveIdentity
    first_seen: datetime
    last_read: datetime | None  # last complete reading
    last_present: datetime | None  # last time it was there at all
    bay: str | None = None
    node: str | None = None  # where it was last seen
    in_use: bool = True  # False: retired by the owner, not expected any more
    traces: TracesAsAsked | tuple[Trace, ...] = ()

    def trace(self, wanted: Metric) -> Trace | None:
        """Give the trace of a metric, or None when it was never recorded."""
        if isinstance(self.traces, TracesAsAsked):
            return self.traces.of(wanted)
        return next((trace for trace in self.traces if trace.metric is wanted), None)

    def span(self, wanted: Metric) -> tuple[int, int] | None:
        """Give the lowest and the highest value in the trace of a metric, or None without any."""
        if isinstance(self.traces, TracesAsAsked):
            return self.traces.span(wanted)
        return span_of(self.trace(wanted))
