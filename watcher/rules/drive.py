"""Rules about one drive as a whole: its own verdict, spindle, filling, self-tests, signs together.

Each rule is a function from a ``Look`` to a ``Found`` or None; ``RULES`` at the end holds their
words.
"""

from __future__ import annotations

from typing import Final

from watcher.facts.drive import Metric, Protocol
from watcher.facts.finding import Urgency
from watcher.facts.units import say_percent
from watcher.rules.look import (
    ADDS_UP,
    REPLACE,
    WORTH_A_LOOK,
    Found,
    Look,
    Needs,
    fact,
    per_drive,
    steps,
)
from watcher.rules.risk import (
    MONTH,
    OTHER_SIGNS,
    OWN_VERDICT,
    SELF_TEST,
    SIGN_METRICS,
    SIGN_WORDS,
    SIGNS,
)
from watcher.rules.rule import Kind, Rule
from watcher.rules.surface import PLAN
from watcher.rules.tuning import Threshold
from watcher.rules.verdict import POWER_GUARD_LOST, damage_in, failing_attributes

KEEP_IN: Final = (
    "keep the old drive in until the spare is ready: with a free place most pools fill the spare "
    "before the old one leaves, and keep their margin"
)


def condemns_itself(look: Look) -> Found | None:
    """Find a drive whose own judgement is that it is failing."""
    if not look.condemns_itself:
        return None
    bits = look.metrics.get(Metric.CRITICAL_WARNING, 0)
    rows = failing_attributes(look.reading)
    evidence = [fact("own verdict", look.reading.verdict.value)]
    if bits:
        evidence.append(fact("critical warning bits", f"{bits:#04x}"))
    evidence += [
        fact(f"attribute {row.number} {row.name}", f"{row.value}, limit {row.threshold}")
        for row in rows
    ]
    return Found(
        urgency=Urgency.TODAY,
        sentence="The drive itself says that it is failing.",
        next_step=(
            f"Prepare to replace {look.label} today: check the backups of what cannot be replaced, "
            f"get a spare that is at least as large, and {KEEP_IN}."
        ),
        evidence=tuple(evidence),
        level=1 + len(rows),
    )


def power_guard_lost(look: Look) -> Found | None:
    """Find an NVMe drive whose backup power for its cache has failed."""
    bits = look.metrics.get(Metric.CRITICAL_WARNING, 0)
    if not bits & POWER_GUARD_LOST:
        return None
    return Found(
        urgency=Urgency.THIS_WEEK,
        sentence="The drive can no longer save its cache when the power fails.",
        next_step=(
            "See that the box is on a power supply with a battery, and plan for the replacement of "
            f"{look.label}: a power cut can cost what was just written."
        ),
        evidence=(fact("critical warning bits", f"{bits:#04x}"),),
        level=1,
    )


SPIN_RETRIES: Final = Threshold(
    name="retries",
    value=1,
    unit="retries",
    source="common practice, no source: a sound spindle starts at the first attempt",
)


def cannot_spin_up(look: Look) -> Found | None:
    """Find a drive whose spindle did not start at the first attempt."""
    count = look.metrics.get(Metric.SPIN_RETRIES)
    rule = "cannot-spin-up-cleanly"
    if count is None or count < max(look.limit(rule, SPIN_RETRIES), 1):
        return None
    grew = (look.rise(Metric.SPIN_RETRIES, MONTH) or 0) > 0
    return Found(
        urgency=Urgency.THIS_WEEK if grew else Urgency.NOTE,
        sentence="The drive needed more than one attempt to spin up.",
        next_step=(
            "Do not switch the box off without need: the drive may not start again. Check the "
            "power supply and its plugs, and have a spare ready."
        ),
        evidence=(fact("spin-up retries", count, look.trace(Metric.SPIN_RETRIES)),),
        level=steps(count),
    )


HELIUM_LOW: Final = Threshold(
    name="percent",
    value=99,
    unit="percent of the fill (attribute 22, normalised)",
    source="our choice: sound drives read 100 all their life (common practice, no source)",
)
HELIUM_OUT: Final = Threshold(
    name="percent-urgent",
    value=75,
    unit="percent of the fill (attribute 22, normalised)",
    source="our choice, well above the makers' own limit of 25 (common practice, no source)",
)


def helium_escaping(look: Look) -> Found | None:
    """Find a sealed drive that loses its filling."""
    level = look.metrics.get(Metric.HELIUM_PERCENT)
    rule = "helium-escaping"
    if level is None or level > look.limit(rule, HELIUM_LOW):
        return None
    return Found(
        urgency=(Urgency.TODAY if level <= look.limit(rule, HELIUM_OUT) else Urgency.THIS_WEEK),
        sentence="The drive is losing its helium filling.",
        next_step=(
            f"Plan for the replacement of {look.label} while it still reads: a leak does not heal. "
            "Check the backups first."
        ),
        evidence=(fact("helium", level, look.trace(Metric.HELIUM_PERCENT), unit="percent"),),
        level=1 + max(0, 100 - level) // 10,
    )


def self_test_found_damage(look: Look) -> Found | None:
    """Find a self-test that ended on damage and was not outdated by a longer one that passed."""
    bad = damage_in(look.reading)
    if bad is None:
        return None
    where = "" if bad.first_bad_lba is None else f", first bad block {bad.first_bad_lba}"
    when = "" if bad.power_on_hours is None else f" at {bad.power_on_hours} power-on hours"
    return Found(
        urgency=Urgency.THIS_WEEK,
        sentence="The drive's own self-test found damage.",
        next_step=PLAN,
        evidence=(fact("self-test", f"{bad.kind}{when}{where}"),),
        level=1 + sum(test.found_damage for test in look.reading.self_tests),
    )


TEST_EVERY: Final = Threshold(
    name="power-on-hours",
    value=90 * 24,
    unit="hours of running",
    source="our choice: a quarter; scrubs find bad sectors earlier where there is a pool",
)


HAVE_TESTS: Final = frozenset({Protocol.ATA, Protocol.SCSI})
"""Drives of these kinds are taken to have self-tests also where the log is empty."""


def may_test(look: Look) -> bool:
    """Tell whether a full self-test may begin now: none runs, and nothing says to start none.

    The rule about a drive that calls itself failing says so, and so does a pool short of margin.
    """
    runs = look.reading.self_test_remaining_percent is not None
    return not (runs or look.condemns_itself or look.is_in_short_pool)


def full_test_age(look: Look, hours: int) -> int | None:
    """Give for how many of the ``hours`` that a drive ran no full self-test came to an end.

    None where none is in its log. That keeps 16 bits of the hours: the age is modulo 65,536 h.
    """
    ages = [
        (hours - test.power_on_hours) % 65536
        for test in look.reading.self_tests
        if test.is_full and test.power_on_hours is not None and (test.passed or test.found_damage)
    ]
    return min(ages, default=None)


def self_test_overdue(look: Look) -> Found | None:
    """Find a drive that ran for long with no extended self-test that came to an end."""
    hours = look.metrics.get(Metric.POWER_ON_HOURS)
    if hours is None or not may_test(look):
        return None
    full = any(test.is_full for test in look.reading.self_tests)
    if not full and look.reading.identity.protocol not in HAVE_TESTS:
        return None  # this kind of drive may have none
    age = full_test_age(look, hours)
    age = hours if age is None else age
    if age < look.limit("self-test-overdue", TEST_EVERY):
        return None
    return Found(
        urgency=Urgency.NOTE,
        sentence="The drive has had no full self-test for a long time.",
        next_step=(
            "Start an extended self-test at a quiet time: it reads the whole drive, takes hours "
            "and changes nothing."
        ),
        evidence=(fact("hours of running since the last full self-test", age),),
        bears_on_margin=False,
        level=1,
    )


def signs_add_up(look: Look) -> Found | None:
    """Find a drive whose signs together make a failure within weeks likely."""
    chance = look.chance
    if not chance.parts or chance.p < look.limit(ADDS_UP, REPLACE):
        return None
    return Found(
        urgency=Urgency.TODAY,
        sentence=(
            "The drive's signs add up: of drives like it, about "
            f"{say_percent(chance.p)} fail within 30 days."
        ),
        next_step=(
            f"Prepare to replace {look.label}: check the backups, get a spare that is at least as "
            f"large, burn it in if time allows, and {KEEP_IN}."
        ),
        evidence=tuple(
            fact(SIGN_WORDS[part.sign], f"{part.factor:.3g} times the usual rate of failing")
            for part in chance.parts
        ),
        level=1 + int(chance.p * 4),
    )


ACS: Final = "ATA/ATAPI Command Set (ACS-3), SMART RETURN STATUS; SFF-8035i revision 2, page 19"
NVME: Final = "NVMe Base Specification, SMART / Health Information log, byte 0"
PRACTICE: Final = "common practice, no source"

RULES: Final = (
    Rule(
        name="drive-condemns-itself",
        kind=Kind.DRIVE,
        sentence="The drive itself says that it is failing.",
        reads=("own verdict", "pre-fail attributes and their limits", "critical-warning bit 2"),
        thresholds=(),
        urgency="today; now where its pool has lost its margin. Grows with each further attribute.",
        what_to_do="Check the backups, get a spare, and replace the drive.",
        usual_cause="The drive is right. Makers set these limits late: 3 to 10 failures in 100.",
        quiet_when=(
            "When an attribute failed only in the past, when it is an old-age attribute, when its "
            "limit is 0, and for temperature rows (190, 194). NVMe drives that warn only of heat, "
            "reserve or read-only have rules of their own."
        ),
        sources=(ACS, NVME, "Murray, Hughes, Kreutz-Delgado, JMLR 6 (2005): 3 to 10% at 0.1%"),
        check=per_drive("drive-condemns-itself", condemns_itself),
        sign=condemns_itself,
        needs=Needs(others=(OWN_VERDICT,)),
    ),
    Rule(
        name="power-guard-lost",
        kind=Kind.DRIVE,
        sentence="The drive can no longer save its cache when the power fails.",
        reads=("critical-warning bit 4",),
        thresholds=(),
        urgency="this week, one step more in a pool short of margin.",
        what_to_do="See that power cannot fail, and plan for a replacement.",
        usual_cause="An aged capacitor.",
        quiet_when="The bit is not set.",
        sources=(NVME,),
        check=per_drive("power-guard-lost", power_guard_lost),
        sign=power_guard_lost,
        needs=Needs(counted=(Metric.CRITICAL_WARNING,)),
    ),
    Rule(
        name="cannot-spin-up-cleanly",
        kind=Kind.DRIVE,
        sentence="The drive needed more than one attempt to spin up.",
        reads=(Metric.SPIN_RETRIES.value,),
        thresholds=(SPIN_RETRIES,),
        urgency="to know; this week when it grew within 30 days. Grows with every doubling.",
        what_to_do="Avoid switching off; check the power supply; have a spare ready.",
        usual_cause="A weak power supply or plug, or a worn spindle.",
        quiet_when="The counter is zero or not reported.",
        sources=(PRACTICE,),
        check=per_drive("cannot-spin-up-cleanly", cannot_spin_up),
        sign=cannot_spin_up,
        needs=Needs(counted=(Metric.SPIN_RETRIES,)),
    ),
    Rule(
        name="helium-escaping",
        kind=Kind.DRIVE,
        sentence="The drive is losing its helium filling.",
        reads=(Metric.HELIUM_PERCENT.value,),
        thresholds=(HELIUM_LOW, HELIUM_OUT),
        urgency="this week; today at the lower threshold. Grows with every 10 percent.",
        what_to_do="Plan for a replacement while it still reads.",
        usual_cause="A leaking seal.",
        quiet_when="The drive is not sealed, or reads 100.",
        sources=(PRACTICE,),
        check=per_drive("helium-escaping", helium_escaping),
        sign=helium_escaping,
        needs=Needs(known=(Metric.HELIUM_PERCENT,)),
    ),
    Rule(
        name="self-test-found-damage",
        kind=Kind.DRIVE,
        sentence="The drive's own self-test found damage.",
        reads=("self-test log",),
        thresholds=(),
        urgency="this week, more in a pool short of margin. Grows with each further failed test.",
        what_to_do=PLAN,
        usual_cause="An unreadable sector; rarely electronics or mechanics.",
        quiet_when=(
            "A later full test passed, and when a test was aborted by a person or a restart."
        ),
        sources=("smartctl(8), exit status bit 7: failures outdated by a later full test",),
        check=per_drive("self-test-found-damage", self_test_found_damage),
        sign=self_test_found_damage,
        needs=Needs(others=(SELF_TEST,)),
    ),
    Rule(
        name="self-test-overdue",
        kind=Kind.DRIVE,
        sentence="The drive has had no full self-test for a long time.",
        reads=("self-test log", Metric.POWER_ON_HOURS.value),
        thresholds=(TEST_EVERY,),
        urgency="to know.",
        what_to_do="Start an extended self-test at a quiet time.",
        usual_cause="Nobody planned one.",
        quiet_when="While one runs, for drives that are not known to have such tests, and while "
        "the drive is failing or its pool lacks margin: a test is more work for it then.",
        sources=(PRACTICE,),
        check=per_drive("self-test-overdue", self_test_overdue),
        sign=self_test_overdue,
        needs=Needs(known=(Metric.POWER_ON_HOURS,)),
    ),
    Rule(
        name=ADDS_UP,
        kind=Kind.DRIVE,
        sentence="The drive's signs together make it likely that it fails within weeks.",
        reads=(*SIGN_METRICS, Metric.POWER_ON_HOURS.value, "model and class"),
        thresholds=(WORTH_A_LOOK, REPLACE),
        urgency="today; now where its pool has lost its margin. Grows with the chance.",
        what_to_do="Check the backups, get a spare, and replace the drive.",
        usual_cause="The drive is wearing out.",
        quiet_when="A single small or steady counter. At most seven in ten failures give warning.",
        sources=("fitted on open field data, see watcher/rules/risk_table.py",),
        check=per_drive(ADDS_UP, signs_add_up),
        sign=signs_add_up,
        needs=Needs(counted=tuple(sign.metric for sign in SIGNS), others=tuple(OTHER_SIGNS)),
    ),
)
