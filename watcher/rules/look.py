"""One drive under the rules, and how what was found becomes a finding.

A drive rule is a small function from a ``Look`` to a ``Found`` or None. The same functions serve
the daily judgement of a survey and the replay of recorded history.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property
from typing import Final

from watcher.facts.drive import DriveIdentity, DrivePast, DriveReading, Metric, Trace
from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import DriveId, about_drive
from watcher.facts.kernel_event import Category, KernelEvent
from watcher.facts.pool import Pool, Protection
from watcher.facts.units import say_count
from watcher.rules.risk import LOG_MEDIA, OWN_VERDICT, SELF_TEST, Chance, chance_from, parts_of
from watcher.rules.tuning import Target, Threshold, Tuning
from watcher.rules.verdict import condemned, damage_in
from watcher.rules.view import View, trace_up_to

_NO_TIME: Final = timedelta(0)

WORTH_A_LOOK: Final = Threshold(
    name="chance-worth-a-look",
    value=0.033,
    unit="share of drives like it that fail within 30 days",
    source="chosen on backblaze_fleet_2013 (open, cross-validated, 2026-11-25): of drives that "
    "failed 54% were told before, of the others 1.6% in 40 days",
)
REPLACE: Final = Threshold(
    name="chance-replace",
    value=0.28,
    unit="share of drives like it that fail within 30 days",
    source="chosen on backblaze_fleet_2013 (open, cross-validated, 2026-11-25): 28% told before, "
    "37 of 100 of those told failed within the 40 days",
)
ADDS_UP: Final = "signs-add-up"
"""The rule whose settings hold the two chances, for all rules that weigh by them."""


@dataclass(frozen=True, kw_only=True)
class Look:
    """One drive that was read, with its past: what a drive rule may look at."""

    reading: DriveReading
    past: DrivePast | None
    now: datetime
    tuning: Tuning
    target: Target
    view: View | None = None  # None in a replay of recorded days
    answers: dict[SignCheck, Found | None] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    """What each sign found, once asked: rules about pools ask the same as those of drives."""

    def events(self, category: Category) -> tuple[KernelEvent, ...]:
        """Give the recent kernel events of one category about the drive."""
        if self.view is None or not self.view.recent:
            return ()
        about = self.view.events_about(about_drive(self.reading.identity.drive))
        return tuple(event for event in about if event.category is category)

    @property
    def is_logged(self) -> bool:
        """Whether the recent kernel log speaks of the drive at all."""
        if self.view is None or not self.view.recent:
            return False
        return bool(self.view.events_about(about_drive(self.reading.identity.drive)))

    @cached_property
    def metrics(self) -> Mapping[Metric, int]:
        """Give the metrics of the reading by name."""
        return dict(self.reading.metrics)

    def rise(self, metric: Metric, window: timedelta) -> int | None:
        """Tell how far a metric rose within a window; None when the past does not tell.

        What stands at zero has not risen, whatever a later reading told.
        """
        past, seen_at = self.past, self.reading.observed_at
        value = self.metrics.get(metric)
        if past is None or value is None:
            return None
        before = past.trace(metric)
        if before is None or not before.points:
            return None
        if not value:
            return 0
        gap = seen_at - past.last_read if past.last_read is not None else _NO_TIME
        changed_at, last = before.points[-1]
        if gap > window:  # nobody looked meanwhile: spread the rise evenly over the gap
            return int(max(value - last, 0) * (window / gap))
        since = self.now - window
        if changed_at <= since and changed_at < seen_at:  # most counters stand still
            return max(value - last, 0) if seen_at > since else 0
        trace = self.trace(metric)
        return trace.rise_since(since) if trace is not None else None

    def trace(self, metric: Metric) -> Trace | None:
        """Give the trace of a metric with this reading; None when it was not recorded before."""
        value = self.metrics.get(metric)
        if value is None or self.past is None:
            return None
        return trace_up_to(self.past.trace(metric), self.reading.observed_at, value)

    def leave_out(self, signs: Mapping[SignCheck, None]) -> None:
        """Note of signs that they find nothing here, without asking them."""
        self.answers.update(signs)

    def found(self, sign: SignCheck) -> Found | None:
        """Ask a sign, once."""
        signs = self.answers
        if sign in signs:
            return signs[sign]
        found = signs[sign] = sign(self)
        return found

    @cached_property
    def condemns_itself(self) -> bool:
        """Whether the drive says of itself that it is failing."""
        return condemned(self.reading)

    @cached_property
    def chance(self) -> Chance:
        """Give the chance that the drive fails within 30 days."""
        parts = parts_of(self.metrics, self.rise, self.others)
        return chance_from(self.reading.identity, self.metrics.get(Metric.POWER_ON_HOURS), parts)

    @cached_property
    def others(self) -> tuple[str, ...]:
        """Name the signs beside the metrics: verdict, self-test, kernel log."""
        found = []
        if self.condemns_itself:
            found.append(OWN_VERDICT)
        if damage_in(self.reading) is not None:
            found.append(SELF_TEST)
        if self.events(Category.MEDIUM):
            found.append(LOG_MEDIA)
        return tuple(found)

    @property
    def is_in_short_pool(self) -> bool:
        """Whether a pool of the drive lacks margin that it was built with."""
        short = {Protection.THINNED, Protection.BARE, Protection.BROKEN}
        pools = self.view.pools_of(self.reading.identity.drive) if self.view is not None else ()
        return any(pool.protection in short and pool.full_margin for pool in pools)

    @property
    def weight(self) -> Urgency:
        """Say how much the drive's signs weigh, from the chance: a note, or worth a look."""
        if self.chance.p >= WORTH_A_LOOK.of(self.tuning, ADDS_UP, self.target):
            return Urgency.THIS_WEEK
        return Urgency.NOTE

    @property
    def label(self) -> str:
        """Name the drive so that it can be found in its case."""
        who = self.reading.identity
        return self.view.label_of(who.drive) if self.view is not None else str(who.serial)

    def limit(self, rule: str, threshold: Threshold) -> float:
        """Give the value of a threshold for this drive."""
        return threshold.of(self.tuning, rule, self.target)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a drive rule found, before pool and label are added."""

    urgency: Urgency
    sentence: str
    next_step: str
    evidence: tuple[Evidence, ...] = ()
    level: int = 0
    is_there: bool = True  # False: the drive has left, nobody can leave it in
    bears_on_margin: bool = True  # its pool's margin makes it more urgent; False for habits


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """Of these a drive must show one for a sign to find anything: else it need not be asked.

    Most drives are sound, and most signs rest on a counter that is zero on a sound drive. A test
    holds every sign to what it says here.
    """

    counted: tuple[Metric, ...] = ()  # reported, and other than zero
    known: tuple[Metric, ...] = ()  # reported, whatever the value
    others: tuple[str, ...] = ()  # signs beside the metrics, as ``Look.others`` names them
    logged: bool = False  # the kernel log speaks of the drive, of whatever category


MARGIN_FIRST: Final = (
    "Its pool cannot lose it now: leave it in, copy first what cannot be replaced, start no test "
    "or scrub, and bring the margin back. After that:"
)

MARGIN_FIRST_GONE: Final = (
    "Its pool cannot lose another drive now: copy first what cannot be replaced, and start no test "
    "or scrub. After that:"
)
"""The same for a drive that is not there: nobody can leave it in."""

OUT_ALREADY: Final = (
    "It is out of its pool already, which comes first: follow the steps of the pool, and start no "
    "scrub before it is whole. After that:"
)
"""The same for a drive that is there and that its pool goes on without."""

SignCheck = Callable[[Look], Found | None]
"""A drive rule: looks at one drive, finds something or nothing."""

Check = Callable[[View, Tuning], Iterable[Finding]]
"""A rule: looks at everything, finds what holds now."""


def steps(amount: float | None, first: float = 1) -> int:
    """Count doublings from ``first`` on: 0 below it, 1 at it, 2 at twice, 3 at four times."""
    if amount is None or amount < first:
        return 0
    return 1 + int(amount // first).bit_length() - 1


def say_margin(pool: Pool) -> str:
    """Say what a pool can still lose, as the end of a sentence."""
    if pool.protection is Protection.BROKEN:
        return f"the pool {pool.name}, which is broken"
    if pool.margin is None:
        return f"the pool {pool.name}, whose margin cannot be seen now"
    if pool.margin == 0:
        return f"the pool {pool.name}, which cannot lose any drive"
    more = say_count(pool.margin, "more drive", "more drives")
    return f"the pool {pool.name}, which can lose {more}"


def lift(urgency: Urgency, pools: Iterable[Pool]) -> Urgency:
    """Raise the urgency of a sign by the margin of the pools it endangers.

    In a thinned pool a note becomes this-week and this-week today; in a pool that lost its margin
    a note becomes today and anything more now. A pool built without margin changes nothing: its
    drives are judged as a drive that stands alone.
    """
    best = urgency
    for pool in pools:
        if pool.protection is Protection.THINNED:
            raised = {Urgency.NOTE: Urgency.THIS_WEEK, Urgency.THIS_WEEK: Urgency.TODAY}
            best = max(best, raised.get(urgency, urgency))
        elif pool.protection is Protection.BARE and pool.full_margin:
            best = max(best, Urgency.TODAY if urgency is Urgency.NOTE else Urgency.NOW)
    return best


def looks(view: View, tuning: Tuning) -> tuple[Look, ...]:
    """Give the drives that were read, in the order of their ids.

    They are made once per view, for what one rule works out about a drive others ask too.
    """
    made: tuple[Tuning, tuple[Look, ...]] | None = view.looked.get("drives")
    if made is None or made[0] is not tuning:
        found = tuple(
            Look(
                reading=reading,
                past=view.past.get(reading.identity.drive),
                now=view.now,
                tuning=tuning,
                target=target,
                view=view,
            )
            for reading, target in view.readings_in_order
        )
        made = (tuning, found)
        view.looked["drives"] = made
    return made[1]


def silent_looks(view: View, tuning: Tuning) -> Iterator[Look]:
    """Walk the drives that are there and gave no reading, with an empty one in its place.

    Only for rules that read the kernel log: it speaks of a drive whether or not the drive answers.
    """
    read = {reading.identity.drive for reading in view.survey.drives}
    for unread in sorted(view.survey.unread, key=lambda u: u.drive or ""):
        if unread.drive is None or unread.drive in read:
            continue
        who = view.identity_of(unread.drive) or DriveIdentity(
            drive=unread.drive,
            model=unread.model or "",
            serial=unread.serial or "",
            capacity_bytes=unread.capacity_bytes,
        )
        nothing = DriveReading(
            identity=who,
            observed_at=unread.observed_at,
            node=unread.node,
            device_type=unread.device_type,
            bay=unread.bay,
        )
        yield Look(
            reading=nothing,
            past=None,
            now=view.now,
            tuning=tuning,
            target=view.target_of(unread.drive),
            view=view,
        )


def _goes_on_without(view: View, pool: Pool, drive: DriveId) -> bool:
    return pool.protection is not Protection.BROKEN and view.is_out_of(drive, pool)


def finding_about(view: View, rule: str, drive: DriveId, found: Found) -> Finding:
    """Add to what was found who it is about, and what its pool's margin makes of it.

    A pool that goes on without a drive that is still there has nothing more to lose by it; one
    that is broken may need it yet.
    """
    pools = view.pools_of(drive)
    risked = tuple(p for p in pools if not (found.is_there and _goes_on_without(view, p, drive)))
    pools = (*risked, *(p for p in pools if p not in risked))
    urgency = lift(found.urgency, risked) if found.bears_on_margin else found.urgency
    sentence, next_step = found.sentence, found.next_step
    if pools and found.bears_on_margin and not risked:
        sentence = f"{sentence} It is out of the pool {pools[0].name}."
        next_step = f"{OUT_ALREADY} {next_step}"
    elif pools and found.bears_on_margin:
        sentence = f"{sentence} It belongs to {say_margin(pools[0])}."
        if pools[0].protection is Protection.BARE and pools[0].full_margin:
            first = MARGIN_FIRST if found.is_there else MARGIN_FIRST_GONE
            next_step = f"{first} {next_step}"
    return Finding(
        rule=rule,
        subject=about_drive(drive),
        label=view.label_of(drive),
        urgency=urgency,
        sentence=sentence,
        next_step=next_step,
        observed_at=view.now,
        evidence=found.evidence,
        pool=pools[0].pool if pools else None,
        drives=(drive,),
        level=found.level,
    )


@dataclass(frozen=True, slots=True)
class PerDrive:
    """The check of a rule that looks at one drive at a time.

    With ``silent_too`` also at drives that gave no reading: for rules that read the kernel log.
    """

    rule: str
    sign: SignCheck
    silent_too: bool

    def __call__(self, view: View, tuning: Tuning) -> Iterator[Finding]:
        """Ask the sign of every drive."""
        silent = silent_looks(view, tuning) if self.silent_too else ()
        for look in (*looks(view, tuning), *silent):
            found = look.found(self.sign)
            if found is not None:
                yield finding_about(view, self.rule, look.reading.identity.drive, found)


def per_drive(rule: str, sign: SignCheck, *, silent_too: bool = False) -> PerDrive:
    """Make the check of a rule that looks at one drive at a time."""
    return PerDrive(rule, sign, silent_too)


def fact(
    what: str, now: int | str | None, trace: Trace | None = None, *, unit: str = ""
) -> Evidence:
    """Make the evidence of a counter: its value, and what it was before it last changed."""
    value = f"{now} {unit}".rstrip()
    if trace is not None:
        latest = trace.points[-1][1]
        changed = None
        for at, was in reversed(trace.points):
            if was != latest:
                value = f"{value}, was {was} until {changed:%Y-%m-%d %H:%M} UTC"
                break
            changed = at
    return Evidence(what=what, value=value)
