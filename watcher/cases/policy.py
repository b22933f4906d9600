"""Who is told what, and when: people, ladders, hours. Pure data, built by the settings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo
from zoneinfo import ZoneInfo

from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import SubjectKind
from watcher.facts.readiness import DRILL_MARK


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """A daily span of local time; it may pass midnight (22:00 to 07:00)."""

    begin: time
    end: time
    weekdays: tuple[int, ...] = (0, 1, 2, 3, 4, 5, 6)  # Monday is 0; the day on which it begins

    def end_when_inside(self, now: datetime, zone: tzinfo) -> datetime | None:
        """Give the moment at which the span that holds ``now`` ends, or None when outside.

        The answer is in UTC. A time of day that daylight saving skips is counted on from before the
        gap, as RFC 5545 (section 3.3.5) has it: 02:30 is 03:30 then.
        """
        local = now.astimezone(zone)
        for back in (0, 1):
            day = (local - timedelta(days=back)).date()
            if day.weekday() not in self.weekdays:
                continue
            begins = datetime.combine(day, self.begin, tzinfo=zone)
            last = day if self.end > self.begin else day + timedelta(days=1)
            ends = datetime.combine(last, self.end, tzinfo=zone)
            begins_at, ends_at = begins.astimezone(_UTC), ends.astimezone(_UTC)
            if begins_at <= now < ends_at:
                return ends_at
        return None


_UTC = ZoneInfo("UTC")

QUIET_LONGEST = timedelta(days=7)
"""Quiet hours that go on for longer have no end. Our choice: the days of the week come again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who can be told."""

    name: str
    zone: str = "UTC"  # IANA name
    quiet: tuple[Hours, ...] = ()  # what can wait is held back; ``now`` never is
    away_until: datetime | None = None  # skipped on every rung but the last resort
    reads_notes: bool = True  # what others noted with an answer; a client's people may not

    def held_until(self, urgency: Urgency, now: datetime) -> datetime | None:
        """Give until when a message of this urgency waits for this person, or None.

        Spans that meet are one: a night that ends on a Saturday goes on where that morning is quiet
        too. Spans that never leave a gap hold a message no longer than the one that holds it now.
        """
        if urgency is Urgency.NOW:
            return None
        zone = ZoneInfo(self.zone)
        first = at = self._quiet_until(now, zone)
        while at is not None and (further := self._quiet_until(at, zone)) is not None:
            at = further
            if at - now > QUIET_LONGEST:
                return first
        return at

    def _quiet_until(self, now: datetime, zone: tzinfo) -> datetime | None:
        """Give the latest end of the spans that hold a moment, or None when none does."""
        ends = (hours.end_when_inside(now, zone) for hours in self.quiet)
        return max((end for end in ends if end is not None), default=None)

    def is_away(self, now: datetime) -> bool:
        """Tell whether this person is on leave."""
        return self.away_until is not None and now < self.away_until


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """Who is told together, and how long they have to answer."""

    people: tuple[str, ...]
    wait: timedelta

    def __post_init__(self) -> None:
        """Refuse an empty rung and a wait of nothing."""
        if not self.people:
            raise ValueError("a rung needs people")
        if self.wait < timedelta(minutes=1):
            raise ValueError("a rung waits at least a minute")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """The order in which people are told until somebody answers."""

    rungs: tuple[Rung, ...]
    repeat_first: timedelta  # gap before the last rung is told again
    repeat_longest: timedelta  # the gap doubles up to this

    def __post_init__(self) -> None:
        """Refuse a ladder that could nag or fall silent."""
        if not self.rungs:
            raise ValueError("a ladder needs a rung")
        if not timedelta(minutes=1) <= self.repeat_first <= self.repeat_longest:
            raise ValueError("repeat_first lies between a minute and repeat_longest")

    def repeat_gap(self, repeats: int) -> timedelta:
        """Give the gap before repeat number ``repeats`` (0 is the first)."""
        gap = self.repeat_first * (1 << min(repeats, 20))
        return min(gap, self.repeat_longest)


# How often an unanswered case is told again. Our choice: one reminder in a quarter of an hour
# wakes a sleeper without filling the lock screen; a thing for today is worth a nudge every few
# hours; a thing for this week one a day. If the gaps are wrong people stop reading, or sleep on.
_REPEATS = {
    Urgency.NOW: (timedelta(minutes=15), timedelta(hours=4)),
    Urgency.TODAY: (timedelta(hours=4), timedelta(hours=24)),
    Urgency.THIS_WEEK: (timedelta(hours=24), timedelta(hours=72)),
}


def plain_ladder(people: tuple[str, ...], urgency: Urgency) -> Ladder:
    """Make the ladder that holds when none is configured: everybody at once, then again."""
    first, longest = _REPEATS.get(urgency, _REPEATS[Urgency.THIS_WEEK])
    return Ladder(
        rungs=(Rung(people=people, wait=first),), repeat_first=first, repeat_longest=longest
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LadderChoice:
    """For which cases a ladder is used; the first choice that fits wins."""

    ladder: Ladder
    urgencies: tuple[Urgency, ...] = (Urgency.THIS_WEEK, Urgency.TODAY, Urgency.NOW)
    pools: tuple[str, ...] = ()  # pool names or ids; empty: any
    boxes: tuple[str, ...] = ()  # empty: any
    clients: tuple[str, ...] = ()  # whose boxes; empty: anybody's


@dataclass(frozen=True, slots=True, kw_only=True)
class Digest:
    """When the regular "still watching" message goes out."""

    at: time
    weekdays: tuple[int, ...]  # Monday is 0
    zone: str = "UTC"

    def next_after(self, moment: datetime) -> datetime:
        """Give the next time strictly after ``moment``, in UTC.

        A local time that daylight saving skips is counted on from before the gap (02:30 is 03:30
        then); one that comes twice counts once, the first time.
        """
        zone = ZoneInfo(self.zone)
        day = moment.astimezone(zone).date()
        for ahead in range(9):
            on = day + timedelta(days=ahead)
            if on.weekday() in self.weekdays:
                at = datetime.combine(on, self.at, tzinfo=zone).astimezone(_UTC)
                if at > moment:
                    return at
        raise ValueError("a digest needs at least one weekday")


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """All that decides who hears of a case."""

    people: tuple[Person, ...] = ()
    ladders: tuple[LadderChoice, ...] = ()
    settle: timedelta = timedelta(minutes=10)  # calm must last this long before an all-clear
    gather: timedelta = timedelta(seconds=60)  # things within this time make one message
    digest: Digest | None = None
    longest_answer: timedelta = timedelta(days=30)
    longest_silence: timedelta = timedelta(days=90)
    longest_repeat: timedelta = timedelta(days=366)  # planned work that repeats is planned anew
    client: str = ""  # whose box it is; "": nobody in particular

    def person(self, name: str) -> Person | None:
        """Give the person of that name, or None."""
        return next((person for person in self.people if person.name == name), None)

    def reads_note(self, reader: str, writer: str) -> bool:
        """Tell whether somebody may read what somebody noted with an answer.

        Those who may not read the notes of others read their own and each other's.
        """
        who, wrote = self.person(reader), self.person(writer)
        if who is None or who.reads_notes or reader == writer:
            return True
        return wrote is not None and not wrote.reads_notes

    def ladder_for(self, finding: Finding, urgency: Urgency, box: str, pool_name: str) -> Ladder:
        """Choose the ladder for a case whose weightiest finding this is.

        A rehearsal climbs the ladder of the pool that it is about.
        """
        pool = finding.pool or (
            finding.subject.key if finding.subject.kind is SubjectKind.POOL else ""
        )
        for choice in self.ladders:
            if urgency not in choice.urgencies:
                continue
            names = {pool, pool_name, pool_name.removeprefix(DRILL_MARK)}
            if choice.pools and not names & set(choice.pools):
                continue
            if choice.boxes and box not in choice.boxes:
                continue
            if choice.clients and self.client not in choice.clients:
                continue
            return choice.ladder
        return plain_ladder(tuple(p.name for p in self.people) or ("owner",), urgency)
