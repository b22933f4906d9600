"""Short builders of facts for the tests of the case side, and a small world to talk to it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from watcher.cases.decide import decide, next_deadline
from watcher.cases.effects import Effect, Record, Refuse, Tell
from watcher.cases.observations import Observation, SurveyJudged, TimePassed
from watcher.cases.policy import Person, Policy
from watcher.cases.state import Book, PoolSeen
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import BoxId, DriveId, PoolId, Subject, about_drive, about_pool
from watcher.facts.pool import Protection

START = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)  # a Monday
ORCHARD = PoolId("md:orchard")


def finding(
    rule: str = "sectors-in-doubt",
    subject: Subject | None = None,
    urgency: Urgency = Urgency.TODAY,
    *,
    pool: PoolId | None = ORCHARD,
    level: int = 0,
    label: str = "bay 3",
) -> Finding:
    """Build a finding about drive D3 of the pool orchard."""
    return Finding(
        rule=rule,
        subject=subject or about_drive(DriveId("D3")),
        label=label,
        urgency=urgency,
        sentence=f"{rule} holds",
        next_step="look",
        observed_at=START,
        pool=pool,
        level=level,
    )


def pool_seen(
    protection: Protection = Protection.WHOLE, lost: tuple[str, ...] = (), count: int | None = None
) -> PoolSeen:
    """Build what a survey saw of the pool orchard."""
    return PoolSeen(
        pool=ORCHARD,
        name="orchard",
        protection=protection,
        lost=len(lost) if count is None else count,
        lost_drives=tuple(DriveId(d) for d in lost),
    )


EVERYTHING = frozenset({about_pool(ORCHARD), *(about_drive(DriveId(f"D{n}")) for n in range(600))})


@dataclass
class Desk:
    """A book, a policy and a clock; keeps all that was said."""

    policy: Policy = field(default_factory=lambda: Policy(people=(Person(name="ada"),)))
    book: Book = field(default_factory=lambda: Book(box=BoxId("attic")))
    now: datetime = START
    said: list[tuple[datetime, Tell]] = field(default_factory=list)
    records: list[Record] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    def tell(self, observation: Observation) -> tuple[Effect, ...]:
        """Hand one observation over."""
        self.book, effects = decide(self.book, observation, self.now, self.policy)
        for effect in effects:
            if isinstance(effect, Tell):
                self.said.append((self.now, effect))
            elif isinstance(effect, Record):
                self.records.append(effect)
            elif isinstance(effect, Refuse):
                self.refused.append(effect.reason)
        return effects

    def survey(
        self,
        *findings: Finding,
        seen: frozenset[Subject] = EVERYTHING,
        pools: tuple[PoolSeen, ...] = (),
    ) -> tuple[Effect, ...]:
        """Hand over a judged survey."""
        return self.tell(SurveyJudged(findings=findings, seen=seen, pools=pools, taken_at=self.now))

    def wait(self, span: timedelta) -> None:
        """Let time pass, waking at every deadline on the way."""
        end = self.now + span
        for _ in range(100_000):
            due = next_deadline(self.book, self.policy, self.now)
            if due is None or due > end:
                break
            self.now = max(due, self.now)
            self.tell(TimePassed())
        else:
            raise AssertionError("the desk never comes to rest")
        self.now = end
        self.tell(TimePassed())

    def heard(self, since: datetime | None = None) -> list[tuple[str, tuple[str, ...]]]:
        """Give who heard what: the person and the kinds of the items."""
        return [
            (tell.person, tuple(item.kind.value for item in tell.items))
            for at, tell in self.said
            if since is None or at >= since
        ]
