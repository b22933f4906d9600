"""Rules about the surface of one drive: sectors that cannot be read, wait, or were moved away.

These signs weigh by the fitted chance of failing within 30 days (``risk.py``): a counter that
stands still is a note, one that grows is worth a look. None of them alone says "replace".
"""

from __future__ import annotations

from typing import Final

from watcher.facts.drive import Metric
from watcher.facts.finding import Urgency
from watcher.rules.look import ADDS_UP, WORTH_A_LOOK, Found, Look, Needs, fact, per_drive, steps
from watcher.rules.risk import MONTH, WEEK
from watcher.rules.rule import Kind, Rule
from watcher.rules.tuning import Threshold

WATCH: Final = (
    "Watch it: see that the last scrub and the backups are recent, and keep a spare at hand. "
    "Replace it if this grows or another sign joins."
)
PLAN: Final = (
    "Plan for its replacement: check the backups, have a spare that passed its burn-in, and run an "
    "extended self-test when the load allows. Do not pull anything yet."
)


def plan_for(urgency: Urgency) -> str:
    """Say what to do about a surface sign, by how much it weighs."""
    return WATCH if urgency is Urgency.NOTE else PLAN


UNREADABLE: Final = (
    (Metric.OFFLINE_UNCORRECTABLE, "sectors that could not be read in an offline scan"),
    (Metric.REPORTED_UNCORRECTABLE, "reads that failed for good"),
    (Metric.MEDIA_ERRORS, "data that could not be recovered"),
    (Metric.READ_ERRORS_UNCORRECTED, "uncorrected read errors"),
    (Metric.WRITE_ERRORS_UNCORRECTED, "uncorrected write errors"),
    (Metric.VERIFY_ERRORS_UNCORRECTED, "uncorrected verify errors"),
)


MANY: Final = Threshold(
    name="sectors-many",
    value=100,
    unit="sectors",
    source="our choice: beyond a weak spot, whatever the chance that the drive fails soon: a "
    "rebuild must read each of them",
)


def by_amount(look: Look, rule: str, count: int) -> Urgency:
    """Weigh a count by the chance of failing, and never as a mere note when it is large."""
    many = count >= max(look.limit(rule, MANY), 1)
    return max(look.weight, Urgency.THIS_WEEK) if many else look.weight


def sectors_unreadable(look: Look) -> Found | None:
    """Find data that the drive had to give up on.

    Where 198 only repeats 197, as one large maker's drives do, sectors-in-doubt has said it.
    """
    doubt = look.metrics.get(Metric.PENDING_SECTORS)
    seen = [
        (metric, words, look.metrics[metric])
        for metric, words in UNREADABLE
        if look.metrics.get(metric, 0) > 0
        and not (metric is Metric.OFFLINE_UNCORRECTABLE and look.metrics[metric] == doubt)
    ]
    if not seen:
        return None
    grew = any((look.rise(metric, MONTH) or 0) > 0 for metric, _, _ in seen)
    most = max(value for _, _, value in seen)
    urgency = Urgency.THIS_WEEK if grew else by_amount(look, "sectors-unreadable", most)
    return Found(
        urgency=urgency,
        sentence="The drive could not read or write some of its data.",
        next_step=plan_for(urgency),
        evidence=tuple(fact(words, value, look.trace(metric)) for metric, words, value in seen),
        level=steps(most),
    )


IN_DOUBT: Final = Threshold(
    name="sectors",
    value=1,
    unit="sectors",
    source="Pinheiro, Weber, Barroso, FAST 2007 section 3.5.4: the first one counts (16-fold risk)",
)


def sectors_in_doubt(look: Look) -> Found | None:
    """Find sectors that wait to be read or rewritten."""
    count = look.metrics.get(Metric.PENDING_SECTORS)
    if count is None or count < max(look.limit("sectors-in-doubt", IN_DOUBT), 1):
        return None
    urgency = by_amount(look, "sectors-in-doubt", count)
    return Found(
        urgency=urgency,
        sentence="Some sectors of the drive can no longer be read with certainty.",
        next_step=plan_for(urgency),
        evidence=(fact("pending sectors", count, look.trace(Metric.PENDING_SECTORS)),),
        level=steps(count),
    )


GIVING_WAY: Final = Threshold(
    name="sectors-per-week",
    value=1,
    unit="sectors within 7 days",
    source="Pinheiro, Weber, Barroso, FAST 2007 section 3.5.2: the first one counts (14-fold risk)",
)
MANY_MOVED: Final = Threshold(
    name="sectors",
    value=100,
    unit="sectors",
    source="our choice: a level that counts with no history at hand; see the fitted table",
)


def surface_giving_way(look: Look) -> Found | None:
    """Find a drive that keeps moving sectors to its reserve, or has moved many."""
    count = look.metrics.get(Metric.REALLOCATED_SECTORS)
    if not count:
        return None
    rule = "surface-giving-way"
    rise = look.rise(Metric.REALLOCATED_SECTORS, WEEK) or 0
    grows = rise >= max(look.limit(rule, GIVING_WAY), 1)
    if not grows and count < look.limit(rule, MANY_MOVED):
        return None
    return Found(
        urgency=look.weight,
        sentence=(
            "The drive's surface is giving way: it keeps moving sectors to its reserve."
            if grows
            else "The drive has moved many sectors to its reserve."
        ),
        next_step=plan_for(look.weight),
        evidence=(fact("reallocated sectors", count, look.trace(Metric.REALLOCATED_SECTORS)),),
        level=steps(count),
    )


TIMEOUTS: Final = Threshold(
    name="timeouts-per-week",
    value=5,
    unit="commands within 7 days",
    source="our choice: attribute 188 alone hardly tells failing from sound drives (12% against "
    "1.6% of ST12000NM0007, no difference on ST8000NM0055)",
)


def answers_too_late(look: Look) -> Found | None:
    """Find a drive whose commands ran out of time again and again."""
    rise = look.rise(Metric.COMMAND_TIMEOUTS, WEEK)
    if rise is None or rise < max(look.limit("answers-too-late", TIMEOUTS), 1):
        return None
    trace = look.trace(Metric.COMMAND_TIMEOUTS)
    return Found(
        urgency=look.weight,
        sentence="The drive let commands run out of time.",
        next_step=(
            "Check the cheap things first: power supply, cables, backplane. If they are sound and "
            "this goes on, plan for a replacement."
        ),
        evidence=(fact("command timeouts", look.metrics[Metric.COMMAND_TIMEOUTS], trace),),
        level=steps(rise),
    )


DEFECTS: Final = Threshold(
    name="defects-per-week",
    value=1,
    unit="defects within 7 days",
    source="as for reallocated sectors, which these are on SCSI drives (our choice)",
)
DEFECTS_LEVEL: Final = Threshold(
    name="defects",
    value=100,
    unit="defects",
    source="our choice, as for reallocated sectors",
)


def grown_defects(look: Look) -> Found | None:
    """Find a SCSI drive whose list of grown defects grows, or is long."""
    count = look.metrics.get(Metric.GROWN_DEFECTS)
    if not count:
        return None
    rise = look.rise(Metric.GROWN_DEFECTS, WEEK) or 0
    grows = rise >= max(look.limit("grown-defects", DEFECTS), 1)
    if not grows and count < look.limit("grown-defects", DEFECTS_LEVEL):
        return None
    return Found(
        urgency=look.weight,
        sentence="The drive's list of defects is " + ("growing." if grows else "long."),
        next_step=plan_for(look.weight),
        evidence=(fact("grown defects", count, look.trace(Metric.GROWN_DEFECTS)),),
        level=steps(count),
    )


BY_WEIGHT: Final = (
    "to know while the fitted chance of failing within 30 days is below the value of "
    f"{WORTH_A_LOOK.name} (settings of {ADDS_UP}), this week from there on. Its level grows with "
    "every doubling. In a thinned pool one step more urgent; in a pool that lost its margin now, "
    "or today where it would be to know."
)
GOOGLE: Final = "Pinheiro, Weber, Barroso, FAST 2007, sections 3.5.1 to 3.5.4"
FIELD: Final = "fitted on open field data, see watcher/rules/risk_table.py"

RULES: Final = (
    Rule(
        name="sectors-unreadable",
        kind=Kind.DRIVE,
        sentence="The drive could not read or write some of its data.",
        reads=tuple(metric.value for metric, _ in UNREADABLE),
        thresholds=(MANY,),
        urgency="At least this week when it grew within 30 days or there are many. Otherwise: "
        + BY_WEIGHT,
        what_to_do=PLAN,
        usual_cause="A worn surface or worn flash; now and then a power cut during a write.",
        quiet_when=(
            "At zero, and when attribute 198 only repeats 197 (sectors-in-doubt has said it). "
            "Entries in a drive's error log are no damage: they count any refused command."
        ),
        sources=(GOOGLE, "NVMe Base Specification, media errors", FIELD),
        check=per_drive("sectors-unreadable", sectors_unreadable),
        sign=sectors_unreadable,
        needs=Needs(counted=tuple(metric for metric, _ in UNREADABLE)),
    ),
    Rule(
        name="sectors-in-doubt",
        kind=Kind.DRIVE,
        sentence="Some sectors of the drive can no longer be read with certainty.",
        reads=(Metric.PENDING_SECTORS.value,),
        thresholds=(IN_DOUBT, MANY),
        urgency="At least this week when there are many. Otherwise: " + BY_WEIGHT,
        what_to_do=PLAN,
        usual_cause=(
            "A weak spot on the surface. Some clear when they are written again, others are moved "
            "to the reserve; a scrub or an extended self-test shows which."
        ),
        quiet_when="At zero, and when the drive does not report the counter.",
        sources=(GOOGLE, FIELD),
        check=per_drive("sectors-in-doubt", sectors_in_doubt),
        sign=sectors_in_doubt,
        needs=Needs(counted=(Metric.PENDING_SECTORS,)),
    ),
    Rule(
        name="surface-giving-way",
        kind=Kind.DRIVE,
        sentence="The drive keeps moving sectors to its reserve.",
        reads=(Metric.REALLOCATED_SECTORS.value,),
        thresholds=(GIVING_WAY, MANY_MOVED),
        urgency=BY_WEIGHT,
        what_to_do=PLAN,
        usual_cause="A surface that wears or a head that damages it.",
        quiet_when=(
            "While the count stands still below the level: 4 to 7 in 100 sound drives carry an old "
            "count. After a reset to zero only growth from there counts. A packed raw value is "
            "decoded or left out by the reader, never taken for a huge count."
        ),
        sources=(GOOGLE, FIELD),
        check=per_drive("surface-giving-way", surface_giving_way),
        sign=surface_giving_way,
        needs=Needs(counted=(Metric.REALLOCATED_SECTORS,)),
    ),
    Rule(
        name="answers-too-late",
        kind=Kind.DRIVE,
        sentence="The drive let commands run out of time.",
        reads=(Metric.COMMAND_TIMEOUTS.value,),
        thresholds=(TIMEOUTS,),
        urgency=BY_WEIGHT,
        what_to_do="Check power supply, cables and backplane first; then plan for a replacement.",
        usual_cause="A weak power supply or plug as often as the drive itself.",
        quiet_when="With no history, and at an old count that does not grow.",
        sources=("backblaze_st12000_2020 and backblaze_lastday_2019, see data BASELINE", FIELD),
        check=per_drive("answers-too-late", answers_too_late),
        sign=answers_too_late,
        needs=Needs(counted=(Metric.COMMAND_TIMEOUTS,)),
    ),
    Rule(
        name="grown-defects",
        kind=Kind.DRIVE,
        sentence="The drive's list of defects grows.",
        reads=(Metric.GROWN_DEFECTS.value,),
        thresholds=(DEFECTS, DEFECTS_LEVEL),
        urgency=BY_WEIGHT,
        what_to_do=PLAN,
        usual_cause="A surface that wears, as with reallocated sectors of other drives.",
        quiet_when="While the list stands still below the level.",
        sources=("common practice, no source: SAS drives keep the list instead of attribute 5",),
        check=per_drive("grown-defects", grown_defects),
        sign=grown_defects,
        needs=Needs(counted=(Metric.GROWN_DEFECTS,)),
    ),
)
