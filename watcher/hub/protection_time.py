"""How long a pool stood how within a month: whole, thinned, bare, broken, or not known.

What was not seen is "not known", whatever was seen before and after it: before the pool was first
seen, between two surveys that lie farther apart than the box's rhythm allows, and after its last
survey when that is too long ago. Pure. Shares are of the whole month, or of the part of it that
has passed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import pairwise

from watcher.facts.pool import Protection
from watcher.store.floor import Gap
from watcher.store.history import PoolChange

_MONTH = re.compile(r"(\d{4})-(\d{2})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """A calendar month of somebody's zone, as far as it has passed."""

    year: int
    month: int
    since: datetime  # its first moment
    until: datetime  # its end, or now while it goes on
    over: bool  # whether it has ended

    @property
    def name(self) -> str:
        """Name it for programs and addresses: "2026-10"."""
        return f"{self.year:04}-{self.month:02}"


def month_named(text: str, now: datetime, zone: tzinfo) -> Month | None:
    """Read a month ("2026-10"; "" is the last one that is over); None when it is none.

    A month that has not begun yet is none.
    """
    local = now.astimezone(zone)
    if not text:
        last = local.replace(day=1) - timedelta(days=1)
        year, month = last.year, last.month
    else:
        found = _MONTH.fullmatch(text.strip())
        if found is None or not 1 <= int(found[2]) <= 12 or not 1990 <= int(found[1]) <= 9000:
            return None
        year, month = int(found[1]), int(found[2])
    since = datetime(year, month, 1, tzinfo=zone).astimezone(UTC)
    after = (year + 1, 1) if month == 12 else (year, month + 1)
    ends = datetime(*after, 1, tzinfo=zone).astimezone(UTC)
    if since >= now:
        return None
    return Month(year=year, month=month, since=since, until=min(ends, now), over=ends <= now)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """A stretch in which a pool stood one way; UNKNOWN: that is not known."""

    since: datetime
    until: datetime
    protection: Protection

    @property
    def lasts(self) -> timedelta:
        """How long it is."""
        return self.until - self.since


def spells(
    changes: Sequence[PoolChange],
    gaps: Iterable[Gap],
    *,
    since: datetime,
    until: datetime,
    seen_until: datetime,
) -> tuple[Spell, ...]:
    """Give how a pool stood from ``since`` to ``until``, without a hole, oldest first.

    ``changes`` are its states, that at ``since`` first; ``seen_until`` is up to when the last one
    may be taken to hold.
    """
    marks = {since, until}
    holes = [(gap.begun_at, gap.ended_at) for gap in gaps]
    for at in (*(c.at for c in changes), *(t for hole in holes for t in hole), seen_until):
        if since < at < until:
            marks.add(at)
    found: list[Spell] = []
    ordered = sorted(marks)
    for begin, end in pairwise(ordered):
        protection = _state(changes, holes, begin, seen_until)
        if found and found[-1].protection is protection:
            found[-1] = Spell(since=found[-1].since, until=end, protection=protection)
        else:
            found.append(Spell(since=begin, until=end, protection=protection))
    return tuple(found)


def _state(
    changes: Sequence[PoolChange],
    holes: Sequence[tuple[datetime, datetime]],
    at: datetime,
    seen_until: datetime,
) -> Protection:
    """Give how the pool stood from a moment on, up to the next mark."""
    if at >= seen_until or any(begun <= at < ended for begun, ended in holes):
        return Protection.UNKNOWN
    before = [change for change in changes if change.at <= at]
    return before[-1].protection if before else Protection.UNKNOWN


def shares(found: Sequence[Spell]) -> Mapping[Protection, float]:
    """Give the share of the time in each state; they sum to one, absent states are zero."""
    whole = sum((spell.lasts for spell in found), timedelta(0))
    if whole <= timedelta(0):
        return dict.fromkeys(Protection, 0.0)
    return {
        state: sum((s.lasts for s in found if s.protection is state), timedelta(0)) / whole
        for state in Protection
    }


def say_share(share: float) -> str:
    """Say a share so that what is little is not nothing and what is not all is not all."""
    if share <= 0:
        return "0%"
    if share >= 1:
        return "100%"
    if share < 0.001:
        return "under 0.1%"
    if share > 0.999:
        return "over 99.9%"
    return f"{100 * share:.1f}%"
