"""When running work will be through, forecast from its own progress.

Progress in per cent is not progress in time: the inner tracks are slower, so the plain rule
"elapsed times what is left over what is done" promises too much (72% of what is left, at half of
the data and a speed ratio of 0.5). Here each stretch of progress is turned into the level of an
even drive by the track-speed curve, the ratio of the curve is fitted while the work runs, starting
from what is known of drives, and the level that will hold is taken half from the whole run and
half from its latest part, so that a change of pace counts but a moment's noise does not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise
from statistics import NormalDist, fmean, median

from watcher.exposure.life import DriveClass
from watcher.exposure.span import VALUES, Span, lasting
from watcher.exposure.track import track_time
from watcher.facts.checks import require_fraction, require_utc
from watcher.facts.units import say_done, say_span

RATIOS = tuple(r / 100 for r in range(35, 101, 5))
"""Ratios of inner to outer speed that are tried."""

ROTATING_RATIO, ROTATING_DOUBT = 0.5, 0.08
"""What is known of the ratio before the work begins: geometry, and how far measured drives lie
from it (0.48 fitted on a real 12 TB copy; 0.60 to 0.75 on drives of 1997 to 2000)."""

UNKNOWN_RATIO, UNKNOWN_DOUBT = 0.6, 0.2
"""The same where the drive is of unknown class or the work does not follow the disk: our choice."""

CURVE_MISFIT = 0.03
"""The curve's own error, as a share: real drives are flatter at the edge than the formula, by 3 to
4% (measured on that 12 TB copy). It keeps a short stretch from deciding the ratio."""

INDEPENDENT_MOST = 8.0
"""However many points: at most so many independent looks at the curve; our choice, see above."""

SEGMENTS = 48
"""Progress is cut into so many stretches of equal time; our choice: fine enough for a stall."""

RECENT_SHARE = 0.15
"""The latest part of the run that counts for half of the level; our choice."""

LEAST_DONE, LEAST_SECONDS = 0.002, 60.0
"""Less progress than this forecasts nothing: start-up would decide it; our choice."""

PRIOR_SPREAD = 0.05
"""How much the mean pace of what is left may differ from what was seen, before any stretch was
seen to vary, as a share; our choice, checked against simulated runs."""

LATE_SIDE = 1.1
"""Runs are more often slowed than sped up: the later side of the interval is that much wider."""

STALLED_SECONDS = 900.0
"""No progress for so long, and for five times the usual step, is a stall; our choice."""

SLOWED_SHARE = 0.6
"""A recent pace below this share of the earlier one is a slow-down; our choice."""

RESTART_DROP = 0.005
"""Progress that falls by more than this began anew (a second spare added, another failure)."""

_FINISHING = 0.97
"""A fall to nothing from beyond this is the end of the work, not a new beginning (seen on md)."""


class Pace(StrEnum):
    """How the work goes, against its own earlier pace and the track curve."""

    STEADY = "steady"
    SLOWED = "slowed"
    STALLED = "stalled"


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How much was done at one moment."""

    at: datetime
    done: float  # 0 to 1, as a share of the data

    def __post_init__(self) -> None:
        """Check time and share."""
        require_utc(self.at, "at")
        require_fraction(self.done, "done")


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """When running work will be through."""

    made_at: datetime
    done: float  # at the last look, 0 to 1
    left: Span  # hours from ``made_at``
    pace: Pace
    ratio: float  # of inner to outer speed, as fitted so far
    naive_hours: float  # what the plain rule would say, for comparison
    began_again: bool  # the work started over since the first look

    @property
    def earliest(self) -> datetime:
        """Through before this one time in ten."""
        return self.made_at + lasting(self.left.earliest)

    @property
    def likely(self) -> datetime:
        """Through before this one time in two."""
        return self.made_at + lasting(self.left.likely)

    @property
    def latest(self) -> datetime:
        """Through before this nine times in ten."""
        return self.made_at + lasting(self.left.latest)

    @property
    def sentence(self) -> str:
        """Say it for the owner."""
        left = say_span(lasting(self.left.likely))
        latest = say_span(lasting(self.left.latest))
        done = f"{say_done(self.done)} done"
        if self.left.latest <= 0.0:
            return f"{done} when last seen; at its pace it would be through by now"
        text = f"{done}, about {left} to go, at the latest {latest}"
        match self.pace:
            case Pace.STEADY:
                return text
            case Pace.SLOWED:
                return f"{text}; it has slowed down"
            case Pace.STALLED:
                return f"{done} and it does not move; once it moves, {left}"


def forecast(
    progress: Sequence[Progress],
    now: datetime,
    *,
    drive_class: DriveClass = DriveClass.HARD_DISK,
    in_disk_order: bool = True,
) -> Forecast | None:
    """Forecast from what was seen so far, or give None when that is too little to tell.

    ``in_disk_order`` is False where the stack rebuilds by file or by age; the curve then counts
    for less. Points may come in any spacing, the newest last; what a clock that was set back dates
    later than that is left out.
    """
    run, began_again = _latest_run(progress)
    run = _without_absences(run)
    if len(run) < 2:
        return None
    elapsed = (run[-1].at - run[0].at).total_seconds()
    gained = run[-1].done - run[0].done
    if elapsed < LEAST_SECONDS or gained < LEAST_DONE:
        return None
    done = run[-1].done
    stretches = _stretches(run)
    ratio, doubt = _prior(drive_class, in_disk_order=in_disk_order)
    weights = _ratio_weights(stretches, ratio, doubt)
    ages = (now - run[-1].at).total_seconds()
    parts = [
        (weight, *_left_seconds(stretches, done, r, elapsed)) for r, weight in weights if weight > 0
    ]
    pace = _pace(run, stretches, max(weights, key=lambda pair: pair[1])[0], now)
    moved_since = 0.0 if pace is Pace.STALLED else max(0.0, ages)
    return Forecast(
        made_at=now,
        done=done,
        left=_mixture(parts, moved_since),
        pace=pace,
        ratio=sum(r * weight for r, weight in weights),
        naive_hours=elapsed / gained * (1.0 - done) / 3600.0,
        began_again=began_again,
    )


@dataclass(frozen=True, slots=True)
class _Stretch:
    """One piece of progress."""

    seconds: float
    start: float  # done at its beginning
    end: float


def _latest_run(progress: Sequence[Progress]) -> tuple[list[Progress], bool]:
    """Keep the points since the work last began anew, none of them later than the newest."""
    run: list[Progress] = []
    began_again = False
    for point in progress:
        if point.at > progress[-1].at or (run and point.at <= run[-1].at):
            continue
        if run and point.done < run[-1].done - RESTART_DROP:
            if run[-1].done >= _FINISHING and point.done < RESTART_DROP:
                continue
            run, began_again = [], True
        elif run and point.done < run[-1].done:
            continue
        run.append(point)
    return run, began_again


def _without_absences(run: list[Progress]) -> list[Progress]:
    """Take out time without looks in which the work hardly went on; the newest look stays.

    So it is with a box that was off or asleep, and with a clock that was set forward. It must have
    been seen to move since; a stall that was looked at stays, and so does time without looks in
    which the work went on.
    """
    if len(run) < 3:
        return run
    steps = [(later.at - one.at).total_seconds() for one, later in pairwise(run)]
    gains = [later.done - one.done for one, later in pairwise(run)]
    absent = [step >= max(STALLED_SECONDS, 5.0 * median(steps)) for step in steps]
    seconds = sum(step for step, gap in zip(steps, absent, strict=True) if not gap)
    gained = sum(gain for gain, gap in zip(gains, absent, strict=True) if not gap)
    if seconds <= 0.0 or gained <= 0.0:
        return run
    kept, at, moves = [run[-1]], run[-1].at, False
    for one, step, gain, gap in zip(
        run[-2::-1], steps[::-1], gains[::-1], absent[::-1], strict=True
    ):
        worked = gain / gained * seconds
        skips = gap and moves and worked < SLOWED_SHARE * step
        at -= timedelta(seconds=worked if skips else step)
        if at < kept[-1].at:
            kept.append(Progress(at=at, done=one.done))
        moves = moves or (gain > 0.0 and not gap)
    return kept[::-1]


def _stretches(run: Sequence[Progress]) -> list[_Stretch]:
    """Cut a run into at most ``SEGMENTS`` pieces of about equal time."""
    least = (run[-1].at - run[0].at).total_seconds() / SEGMENTS
    pieces: list[_Stretch] = []
    first = run[0]
    for point in run[1:]:
        seconds = (point.at - first.at).total_seconds()
        if seconds >= least * 0.999:
            pieces.append(_Stretch(seconds, first.done, point.done))
            first = point
    last = run[-1]
    if last.at > first.at:
        pieces.append(_Stretch((last.at - first.at).total_seconds(), first.done, last.done))
    return pieces


def _prior(drive_class: DriveClass, *, in_disk_order: bool) -> tuple[float, float]:
    """Give what is known of the speed ratio beforehand, and how well."""
    if drive_class in {DriveClass.FLASH, DriveClass.NVME}:
        return 1.0, 0.03
    if drive_class is DriveClass.UNKNOWN or not in_disk_order:
        return UNKNOWN_RATIO, UNKNOWN_DOUBT
    return ROTATING_RATIO, ROTATING_DOUBT


def _levels(stretches: Sequence[_Stretch], ratio: float) -> list[tuple[float, float]]:
    """Give each stretch's seconds and its level: whole capacities per second, were it all outer."""
    return [
        (s.seconds, (track_time(s.end, ratio) - track_time(s.start, ratio)) / s.seconds)
        for s in stretches
    ]


def _ratio_weights(
    stretches: Sequence[_Stretch], ratio: float, doubt: float
) -> list[tuple[float, float]]:
    """Weigh every ratio: what was known of it, times how even it makes the levels."""
    logs = []
    for r in RATIOS:
        moving = [level for _, level in _levels(stretches, r) if level > 0]
        spread = _log_spread(moving) if len(moving) > 2 else 0.0
        looks = min(INDEPENDENT_MOST, len(moving))
        fit = -looks / 2.0 * math.log(spread + CURVE_MISFIT**2)
        logs.append(fit - ((r - ratio) / doubt) ** 2 / 2.0)
    best = max(logs)
    raw = [math.exp(log - best) for log in logs]
    return [(r, weight / sum(raw)) for r, weight in zip(RATIOS, raw, strict=True)]


def _log_spread(levels: Sequence[float]) -> float:
    """Give the variance of the logarithms."""
    logs = [math.log(level) for level in levels]
    middle = fmean(logs)
    return fmean((log - middle) ** 2 for log in logs)


def _left_seconds(
    stretches: Sequence[_Stretch], done: float, ratio: float, elapsed: float
) -> tuple[float, float]:
    """Give the likely seconds to go under one ratio, and their standard deviation as a share."""
    levels = _levels(stretches, ratio)
    whole = sum(s * level for s, level in levels) / elapsed
    recent = _recent_level(levels, elapsed)
    if recent <= 0:
        recent = whole
    level = math.sqrt(whole * recent)
    to_go = track_time(1.0, ratio) - track_time(done, ratio)
    left = to_go / level
    change = abs(math.log(recent / whole)) / 2.0
    variance = _future_variance(levels, elapsed, left)
    thin = PRIOR_SPREAD**2 / max(1.0, len(levels) / 4.0)
    share_left = left / (left + elapsed)
    misfit = (CURVE_MISFIT * share_left) ** 2
    return left, math.sqrt(variance + thin + misfit + change**2)


def _recent_level(levels: Sequence[tuple[float, float]], elapsed: float) -> float:
    """Give the mean level of the latest part of the run."""
    wanted = elapsed * RECENT_SHARE
    seconds = gained = 0.0
    for length, level in reversed(levels):
        seconds += length
        gained += length * level
        if seconds >= wanted:
            break
    return gained / seconds


def _future_variance(levels: Sequence[tuple[float, float]], elapsed: float, left: float) -> float:
    """Give the variance of the log of the mean level ahead, from how the levels varied so far.

    Neighbouring stretches are alike, so they count for fewer: ``n (1 - a) / (1 + a)`` with ``a``
    the correlation of neighbours; both the past mean and the future one are uncertain.
    """
    values = [level for _, level in levels]
    count = len(values)
    middle = fmean(values)
    if count < 4 or middle <= 0:
        return 0.0
    off = [value / middle - 1.0 for value in values]
    variance = fmean(x * x for x in off)
    if variance <= 0:
        return 0.0
    alike = fmean(a * b for a, b in pairwise(off)) / variance
    alike = min(0.95, max(0.0, alike))
    independent = max(1.0, count * (1.0 - alike) / (1.0 + alike))
    ahead = max(1.0, independent * left / elapsed)
    return min(variance, 1.0) * (1.0 / independent + 1.0 / ahead)


def _mixture(parts: Sequence[tuple[float, float, float]], moved_seconds: float) -> Span:
    """Mix the answers of all ratios into one span of hours, less what passed since then."""
    steps = [NormalDist().inv_cdf((i + 0.5) / VALUES) for i in range(VALUES)]
    weighted = sorted(
        (seconds * math.exp(z * spread * (LATE_SIDE if z > 0 else 1.0)), weight)
        for weight, seconds, spread in parts
        for z in steps
    )
    total = sum(weight for _, weight in weighted)
    values: list[float] = []
    passed = 0.0
    place = 0
    for seconds, weight in weighted:
        passed += weight / total
        while place < VALUES and (place + 0.5) / VALUES <= passed + 1e-12:
            values.append(max(0.0, seconds - moved_seconds) / 3600.0)
            place += 1
    return Span(tuple(values))


def _pace(
    run: Sequence[Progress], stretches: Sequence[_Stretch], ratio: float, now: datetime
) -> Pace:
    """Tell whether it goes on as before."""
    last_move = next(
        (
            later
            for one, later in zip(run[-2::-1], run[:0:-1], strict=True)
            if later.done > one.done
        ),
        run[0],
    )
    usual = (run[-1].at - run[0].at).total_seconds() / (len(run) - 1)
    still = (now - last_move.at).total_seconds()
    if still >= max(STALLED_SECONDS, 5.0 * usual) and run[-1].at > last_move.at:
        return Pace.STALLED
    levels = _levels(stretches, ratio)
    elapsed = sum(length for length, _ in levels)
    if len(levels) < 8:
        return Pace.STEADY
    cut = max(1, round(len(levels) * RECENT_SHARE))
    before = fmean(level for _, level in levels[:-cut])
    recent = _recent_level(levels, elapsed)
    return Pace.SLOWED if recent < SLOWED_SHARE * before else Pace.STEADY
