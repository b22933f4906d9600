"""Rules about wear, reserves, heat and power: the ways in which use and surroundings tell."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from watcher.facts.drive import Metric
from watcher.facts.finding import Urgency
from watcher.rules.look import Found, Look, Needs, fact, per_drive, steps
from watcher.rules.risk import MONTH
from watcher.rules.rule import Kind, Rule
from watcher.rules.tuning import Threshold

SPARE_BELOW: Final = 1 << 0
HEAT_LIMIT: Final = 1 << 1
READ_ONLY: Final = 1 << 3
"""Bits of the critical warning byte (NVMe Base Specification, SMART / Health Information)."""

WEAR_NOTE: Final = Threshold(
    name="percent",
    value=90,
    unit="percent of the rated writes used",
    source="our choice; 100 means that the rated endurance is used, not that it fails (NVMe Base "
    "Specification, percentage used)",
)
WEAR_SPENT: Final = Threshold(
    name="percent-spent",
    value=100,
    unit="percent of the rated writes used",
    source="NVMe Base Specification, percentage used: 100 is the rated endurance",
)
WEAR_AHEAD: Final = Threshold(
    name="days-ahead",
    value=90,
    unit="days until the rated writes are used up at the present pace",
    source="our choice: time enough to buy and burn in",
)
WEAR_PACE_DAYS: Final = 14
"""The pace is taken over at least this long; our choice, the figure moves in whole percents."""


def spent_on(look: Look) -> datetime | None:
    """Project when the rated writes are used up; None when used up already, or not known."""
    trace = look.trace(Metric.WEAR_PERCENT)
    if trace is None:
        return None
    first_at, first = trace.points[0]
    last_at, last = trace.points[-1][0], trace.points[-1][1]
    span = last_at - first_at
    if last <= first or last >= WEAR_SPENT.value or span < timedelta(days=WEAR_PACE_DAYS):
        return None
    return last_at + span * ((WEAR_SPENT.value - last) / (last - first))


def flash_nearly_spent(look: Look) -> Found | None:
    """Find flash whose rated writes are nearly or wholly used, with the projected date."""
    wear = look.metrics.get(Metric.WEAR_PERCENT)
    rule = "flash-nearly-spent"
    if wear is None:
        return None
    ends = spent_on(look)
    ahead = timedelta(days=look.limit(rule, WEAR_AHEAD))
    soon = ends is not None and ends - look.now <= ahead
    spent = wear >= look.limit(rule, WEAR_SPENT)
    if not (spent or soon or wear >= look.limit(rule, WEAR_NOTE)):
        return None
    evidence = [fact("rated writes used", wear, look.trace(Metric.WEAR_PERCENT), unit="percent")]
    if ends is not None:
        evidence.append(fact("used up at the present pace", f"about {ends:%Y-%m-%d}"))
    when = f" At the present pace that is about {ends:%Y-%m-%d}." if ends is not None else ""
    return Found(
        urgency=Urgency.THIS_WEEK if spent else Urgency.NOTE,
        sentence=(
            "The drive has used up the writes it is rated for."
            if spent
            else "The drive has nearly used up the writes it is rated for." + when
        ),
        next_step=(
            "Plan for a replacement. It need not fail at that point, but its maker promises "
            "nothing beyond it; drives of one purchase reach it together."
        ),
        evidence=tuple(evidence),
        level=1 + max(0, wear - 90) // 10,
    )


SPARE_MARGIN: Final = Threshold(
    name="percent-above-limit",
    value=10,
    unit="percent of the reserve above the drive's own limit",
    source="our choice: some warning before the drive's own limit",
)


def flash_reserve_low(look: Look) -> Found | None:
    """Find flash that has few reserve blocks left."""
    spare = look.metrics.get(Metric.SPARE_PERCENT)
    limit = look.metrics.get(Metric.SPARE_THRESHOLD_PERCENT)
    tripped = bool(look.metrics.get(Metric.CRITICAL_WARNING, 0) & SPARE_BELOW)
    near = False
    if spare is not None and limit and spare < 100:  # no limit of its own: it does not count them
        tripped = tripped or spare < limit
        near = spare <= limit + look.limit("flash-reserve-low", SPARE_MARGIN)
    if not (tripped or near):
        return None
    return Found(
        urgency=Urgency.TODAY if tripped else Urgency.THIS_WEEK,
        sentence=(
            "The drive's reserve of good blocks is below its own limit."
            if tripped
            else "The drive's reserve of good blocks runs low."
        ),
        next_step=(
            f"Plan for the replacement of {look.label}: with no reserve it stops accepting writes. "
            "Check the backups first."
        ),
        evidence=(
            fact("reserve left", spare, look.trace(Metric.SPARE_PERCENT), unit="percent"),
            fact("the drive's own limit", limit, unit="percent"),
        ),
        level=(2 if tripped else 1) + (max(0, 100 - spare) // 25 if spare is not None else 0),
    )


def flash_read_only(look: Look) -> Found | None:
    """Find flash that has stopped accepting writes."""
    bits = look.metrics.get(Metric.CRITICAL_WARNING, 0)
    if not bits & READ_ONLY:
        return None
    return Found(
        urgency=Urgency.TODAY,
        sentence="The drive has stopped accepting writes.",
        next_step=(
            f"Copy what is on {look.label} while it can still be read, then replace it. Do not "
            "switch it off before the copy is checked."
        ),
        evidence=(fact("critical warning bits", f"{bits:#04x}"),),
        level=1,
    )


def _reaches(celsius: int | None, limit: int | None) -> bool:
    """Tell whether a temperature is at a limit or above; not where one of them is not known."""
    return celsius is not None and bool(limit) and celsius >= (limit or 0)


def too_hot(look: Look) -> Found | None:
    """Find a drive at or above a temperature limit of its own.

    NVMe drives also say it in a bit of their own, where limit or temperature may not be told.
    Without a limit or that bit nothing is said: warmth alone is no forecast of failure (Pinheiro et
    al., FAST 2007 section 3.4).
    """
    celsius = look.metrics.get(Metric.TEMPERATURE_CELSIUS)
    warning = look.metrics.get(Metric.TEMPERATURE_WARNING_CELSIUS)
    critical = look.metrics.get(Metric.TEMPERATURE_CRITICAL_CELSIUS)
    over = _reaches(celsius, critical)
    says_so = bool(look.metrics.get(Metric.CRITICAL_WARNING, 0) & HEAT_LIMIT)
    warm = says_so or _reaches(celsius, warning)
    if not (over or warm):
        return None
    trace = look.trace(Metric.TEMPERATURE_CELSIUS)
    before = trace.points[-2][1] if trace is not None and len(trace.points) > 1 else None
    stays = _reaches(before, warning)
    own_limit = critical if over else warning if warning is not None else "not told"
    return Found(
        urgency=Urgency.TODAY if over else Urgency.THIS_WEEK if stays else Urgency.NOTE,
        sentence="The drive is hotter than its maker allows."
        if over
        else "The drive has reached its own temperature limit.",
        next_step=(
            "Check fans, filters and the room. Lighten the load until it is cooler; a rebuild or a "
            "scrub can be paused if the pool is whole."
        ),
        evidence=(
            fact("temperature", "not told")
            if celsius is None
            else fact("temperature", celsius, unit="°C"),
            fact("the drive's own limit", own_limit, unit="°C" if own_limit != "not told" else ""),
        ),
        bears_on_margin=over,
        level=2 if over else 1,
    )


SWING: Final = Threshold(
    name="degrees-per-day",
    value=20,
    unit="°C between lowest and highest within 24 hours",
    source="our choice: a rebuild moved two drives by 5 °C (rebuild_temperature, 2020)",
)


def heat_swinging(look: Look) -> Found | None:
    """Find a drive that warms and cools widely within a day."""
    celsius = look.metrics.get(Metric.TEMPERATURE_CELSIUS)
    before = look.past.span(Metric.TEMPERATURE_CELSIUS) if look.past is not None else None
    if celsius is None or before is None:
        return None
    limit = max(look.limit("heat-swinging", SWING), 1)
    if max(celsius, before[1]) - min(celsius, before[0]) < limit:
        return None  # as with nearly every drive, and quickly told
    trace = look.trace(Metric.TEMPERATURE_CELSIUS)
    if trace is None:
        return None
    start = look.now - timedelta(days=1)
    day = [value for at, value in trace.points if at > start]
    held = [value for at, value in trace.points if at <= start][-1:]
    span = [*held, *day]
    swing = max(span) - min(span)
    if swing < limit:
        return None
    return Found(
        urgency=Urgency.NOTE,
        sentence="The drive's temperature swings widely within a day.",
        next_step=(
            "Look at fan control, standby times and where the box stands. Steady warmth is easier "
            "on a drive than swings."
        ),
        evidence=(fact("lowest and highest in 24 hours", f"{min(span)} and {max(span)} °C"),),
        bears_on_margin=False,
        level=1 + swing // 10,
    )


CUTS: Final = Threshold(
    name="cuts-per-month",
    value=3,
    unit="power cuts within 30 days",
    source="our choice: one or two are accidents, three are a habit",
)


def power_cut_habit(look: Look) -> Found | None:
    """Find a drive that loses its power without notice again and again."""
    rise = look.rise(Metric.UNSAFE_SHUTDOWNS, MONTH)
    if rise is None or rise < max(look.limit("power-cut-habit", CUTS), 1):
        return None
    return Found(
        urgency=Urgency.NOTE,
        sentence="The drive keeps losing its power without a proper shutdown.",
        next_step=(
            "Check the power supply, its plugs and the mains; a supply with a battery prevents it. "
            "If the box was reset by hand, nothing needs doing."
        ),
        evidence=(
            fact(
                "unsafe shutdowns",
                look.metrics[Metric.UNSAFE_SHUTDOWNS],
                look.trace(Metric.UNSAFE_SHUTDOWNS),
            ),
        ),
        bears_on_margin=False,
        level=steps(rise, 3),
    )


NVME: Final = "NVMe Base Specification, SMART / Health Information log"
PRACTICE: Final = "common practice, no source"

RULES: Final = (
    Rule(
        name="flash-nearly-spent",
        kind=Kind.DRIVE,
        sentence="The drive has nearly used up the writes it is rated for.",
        reads=(Metric.WEAR_PERCENT.value,),
        thresholds=(WEAR_NOTE, WEAR_SPENT, WEAR_AHEAD),
        urgency="to know; this week at the rated end. Grows with every 10 percent.",
        what_to_do="Plan for a replacement, with the projected date in mind.",
        usual_cause="More writes than the drive was bought for.",
        quiet_when=(
            "Below the threshold with the end far off. The figure may pass 100 and stops at 255; "
            "wear is no chance of failing (Meza et al., SIGMETRICS 2015)."
        ),
        sources=(NVME, "Schroeder, Lagisetty, Merchant, FAST 2016: age, not wear, matters"),
        check=per_drive("flash-nearly-spent", flash_nearly_spent),
        sign=flash_nearly_spent,
        needs=Needs(known=(Metric.WEAR_PERCENT,)),
    ),
    Rule(
        name="flash-reserve-low",
        kind=Kind.DRIVE,
        sentence="The drive's reserve of good blocks runs low.",
        reads=(Metric.SPARE_PERCENT.value, Metric.SPARE_THRESHOLD_PERCENT.value, "warning bit 0"),
        thresholds=(SPARE_MARGIN,),
        urgency="this week; today below the drive's own limit. Grows as the reserve shrinks.",
        what_to_do="Plan for a replacement before the drive stops accepting writes.",
        usual_cause="Worn or bad flash blocks.",
        quiet_when="The reserve is full, or the drive does not report it.",
        sources=(NVME,),
        check=per_drive("flash-reserve-low", flash_reserve_low),
        sign=flash_reserve_low,
        needs=Needs(known=(Metric.SPARE_PERCENT,), counted=(Metric.CRITICAL_WARNING,)),
    ),
    Rule(
        name="flash-read-only",
        kind=Kind.DRIVE,
        sentence="The drive has stopped accepting writes.",
        reads=("critical-warning bit 3",),
        thresholds=(),
        urgency="today; now where its pool has lost its margin.",
        what_to_do="Copy what is on it while it can be read, then replace it.",
        usual_cause="No reserve left; the drive saves what it holds.",
        quiet_when="The bit is not set.",
        sources=(NVME,),
        check=per_drive("flash-read-only", flash_read_only),
        sign=flash_read_only,
        needs=Needs(counted=(Metric.CRITICAL_WARNING,)),
    ),
    Rule(
        name="too-hot-for-its-rating",
        kind=Kind.DRIVE,
        sentence="The drive has reached its own temperature limit.",
        reads=(
            Metric.TEMPERATURE_CELSIUS.value,
            Metric.TEMPERATURE_WARNING_CELSIUS.value,
            Metric.TEMPERATURE_CRITICAL_CELSIUS.value,
            "critical-warning bit 1",
        ),
        thresholds=(),
        urgency=(
            "to know at the warning limit, this week when it was there at the reading before too, "
            "today at the critical limit."
        ),
        what_to_do="Check fans, filters and the room; lighten the load.",
        usual_cause="A stopped fan, dust, a hot room, a rebuild in summer.",
        quiet_when=(
            "The drive names no limit, and for warmth below it: average temperature hardly tells "
            "failing drives from sound ones."
        ),
        sources=(NVME, "Pinheiro, Weber, Barroso, FAST 2007 section 3.4"),
        check=per_drive("too-hot-for-its-rating", too_hot),
        sign=too_hot,
        needs=Needs(
            counted=(
                Metric.TEMPERATURE_WARNING_CELSIUS,
                Metric.TEMPERATURE_CRITICAL_CELSIUS,
                Metric.CRITICAL_WARNING,
            )
        ),
    ),
    Rule(
        name="heat-swinging",
        kind=Kind.DRIVE,
        sentence="The drive's temperature swings widely within a day.",
        reads=(Metric.TEMPERATURE_CELSIUS.value,),
        thresholds=(SWING,),
        urgency="to know.",
        what_to_do="Look at fan control, standby times and where the box stands.",
        usual_cause="Standby by night and load by day; a box in the sun.",
        quiet_when="With no history, and for the few degrees that a rebuild or scrub adds.",
        sources=("rebuild_temperature (2020): 5 °C under a rebuild", PRACTICE),
        check=per_drive("heat-swinging", heat_swinging),
        sign=heat_swinging,
        needs=Needs(known=(Metric.TEMPERATURE_CELSIUS,)),
    ),
    Rule(
        name="power-cut-habit",
        kind=Kind.DRIVE,
        sentence="The drive keeps losing its power without a proper shutdown.",
        reads=(Metric.UNSAFE_SHUTDOWNS.value,),
        thresholds=(CUTS,),
        urgency="to know. Grows with every doubling.",
        what_to_do="Check power supply, plugs and mains.",
        usual_cause="A loose plug, a tired power supply, a box that is switched off at the wall.",
        quiet_when="With no history, and at an old count that does not grow.",
        sources=(PRACTICE,),
        check=per_drive("power-cut-habit", power_cut_habit),
        sign=power_cut_habit,
        needs=Needs(counted=(Metric.UNSAFE_SHUTDOWNS,)),
    ),
)
