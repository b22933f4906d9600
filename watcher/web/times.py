"""Until when: the moments that a form offers, and what somebody wrote instead."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from watcher.web.ask import Ask, Refusal
from watcher.web.words import Clockwork

MORNING, EVENING = time(8, 0), time(18, 0)
SHORTEST = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """A moment that can be chosen."""

    at: datetime
    words: str

    @property
    def value(self) -> str:
        """Give the moment as the form sends it."""
        return self.at.astimezone(UTC).isoformat(timespec="seconds")


def offers(clock: Clockwork, *, longest: timedelta) -> tuple[Offer, ...]:
    """Give the moments that people usually mean, soonest first."""
    local = clock.now.astimezone(clock.zone)
    found = [
        (clock.now + timedelta(hours=3), "for 3 hours"),
        (_next(local, MORNING), "in the morning"),
        (_next(local, EVENING), "in the evening"),
        (clock.now + timedelta(hours=24), "for a day"),
        (_monday(local), "on Monday"),
        (clock.now + timedelta(days=7), "for a week"),
    ]
    kept = sorted(
        {
            at.astimezone(UTC).replace(second=0, microsecond=0): words
            for at, words in reversed(found)
        }.items()
    )
    return tuple(
        Offer(at=at, words=f"until {clock.when(at)} ({words})")
        for at, words in kept
        if timedelta(hours=1) <= at - clock.now <= longest
    )


def _next(local: datetime, at: time) -> datetime:
    """Give the next time of day that is at least two hours ahead."""
    moment = datetime.combine(local.date(), at, tzinfo=local.tzinfo)
    while moment - local < timedelta(hours=2):
        moment = datetime.combine(moment.date() + timedelta(days=1), at, tzinfo=local.tzinfo)
    return moment


def _monday(local: datetime) -> datetime:
    ahead = (7 - local.weekday()) % 7 or 7
    return datetime.combine(local.date() + timedelta(days=ahead), MORNING, tzinfo=local.tzinfo)


def until_of(ask: Ask, clock: Clockwork, *, chosen: str, written: str) -> datetime:
    """Give the moment that a form named: what was written, else what was chosen.

    Raises Refusal when it is none, or does not lie ahead.
    """
    try:
        if written:
            given = datetime.fromisoformat(written)
            moment = given if given.tzinfo else given.replace(tzinfo=clock.zone)
        else:
            moment = datetime.fromisoformat(chosen)
        moment = moment.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise Refusal(422, "Name until when: a day and a time.") from error
    if moment.tzinfo is None or moment - ask.now < SHORTEST:
        raise Refusal(422, "The time you named has passed already; name one that lies ahead.")
    return moment
