"""Which drives the shop needs, by size: for what is lost, for what is likely to go, and held ready.

A place in a pool that lost its drive needs one now. A drive whose signs make it at least as likely
to fail within 30 days as the rules ask for before they say "replace" is counted for this month. For
all other drives the chances within 30 days are added up: the expected number of failures among
them (the sum of chances is the mean of the count, whatever hangs together). It is a mean and no
forecast of one drive; drives that cannot be read are counted apart, for nothing is known of them.
Pure.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Final

from watcher.facts.identity import BoxId, DriveId
from watcher.facts.pool import Member, MemberState, Pool
from watcher.facts.readiness import Preparation, ProofState, ShelfSpare, Source
from watcher.facts.units import say_bytes
from watcher.recovery.shelf import place_of
from watcher.rules.look import ADDS_UP, REPLACE, looks
from watcher.rules.tuning import Tuning
from watcher.rules.view import View
from watcher.service.readiness import hot_spares

LOST: Final = frozenset({MemberState.FAILED, MemberState.MISSING})
"""A member in one of these states has no drive that holds its share, and none is being filled."""


class Held(StrEnum):
    """What lies on the shelf of the box itself for a place that needs a drive."""

    PROVEN = "a proven spare lies there"
    UNPROVEN = "a spare lies there that nobody proved"
    COMING = "a spare is ordered there"
    NOTHING = "no spare that fits lies there"
    NOT_TOLD = "whether a spare lies there is not told by this box"


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """A place that needs a drive, or will soon."""

    box: BoxId
    client: str
    pool: str  # its name
    label: str  # which drive is gone, or is to go
    least_bytes: int | None  # None: how large it must be is not known
    lost: bool  # True: gone already; False: likely within the month
    held: Held = Held.NOTHING  # a spare of the client's own, beside the box

    @property
    def is_held(self) -> bool:
        """Whether a spare for it is known to be on the box's own shelf, or on its way there."""
        return self.held in {Held.PROVEN, Held.UNPROVEN, Held.COMING}


@dataclass(frozen=True, slots=True, kw_only=True)
class Risk:
    """A drive that shows no such sign, and its share in the expected number."""

    capacity_bytes: int | None
    chance: float  # of failing within 30 days


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """What one box adds to the shop's needs."""

    needs: tuple[Need, ...] = ()
    risks: tuple[Risk, ...] = ()
    unread: int = 0  # drives of which nothing is known now


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeLine:
    """One size of drives."""

    size: str  # "4 TB"
    least_bytes: int | None
    now: int  # places whose drive is gone
    soon: int  # drives likely to go within the month
    expected: float  # failures among all others of that size within 30 days, the mean
    others: int  # how many those are
    ready: int  # proven spares on the shelf, for these places or of just this size
    unproven: int  # spares that are there, or come, and have no proof that holds
    beside: int  # places for which the box's own shelf holds a spare, or one is on its way there
    to_get: int  # needed now or soon, and no spare is there


def stock_of(view: View, client: str, tuning: Tuning) -> Stock:
    """Say what one box needs; a hot spare that waits in the pool stands in for one lost drive."""
    box = view.survey.box
    needs: list[Need] = []
    going: set[DriveId] = set()
    for pool in view.survey.pools:
        needs += _lost(view, pool, box, client)
    risks = []
    for look in looks(view, tuning):
        who = look.reading.identity
        if look.chance.p < look.limit(ADDS_UP, REPLACE):
            risks.append(Risk(capacity_bytes=who.capacity_bytes, chance=look.chance.p))
            continue
        going.add(who.drive)
        pools = [p for p in view.survey.pools if who.drive in p.drives]
        if not pools:
            continue  # it guards nothing that we know of: no place waits for another one
        needs.append(
            Need(
                box=box,
                client=client,
                pool=pools[0].name,
                label=look.label,
                least_bytes=_least(view, pools[0], who.drive) or who.capacity_bytes,
                lost=False,
            )
        )
    return Stock(
        needs=beside_the_box(needs, view), risks=tuple(risks), unread=len(view.survey.unread)
    )


def beside_the_box(needs: Sequence[Need], view: View) -> tuple[Need, ...]:
    """Hold what a box needs against its own shelf, what is gone first, then the largest place.

    Each spare is counted once, the smallest that fits; one that failed its burn-in, or whose size
    nobody knows, never. It lies at the client's and counts for this box alone.
    """
    ready = view.ready or Preparation(source=Source.NOT_TOLD)
    if not ready.is_told:
        return tuple(replace(need, held=Held.NOT_TOLD) for need in needs)
    left = [s for s in ready.shelf if s.bytes is not None and not s.has_failed]
    left.sort(key=lambda s: (_held(s, view.now) is not Held.PROVEN, s.ordered, s.bytes or 0))
    found: dict[int, Held] = {}
    order = sorted(
        range(len(needs)), key=lambda n: (not needs[n].lost, -(needs[n].least_bytes or 0))
    )
    for place in order:
        least = needs[place].least_bytes
        spare = next((s for s in left if least is not None and (s.bytes or 0) >= least), None)
        if spare is not None:
            left.remove(spare)
            found[place] = _held(spare, view.now)
    return tuple(
        replace(need, held=found.get(place, Held.NOTHING)) for place, need in enumerate(needs)
    )


def _held(spare: ShelfSpare, now: datetime) -> Held:
    if spare.ordered:
        return Held.COMING
    return Held.PROVEN if spare.proof_at(now) is ProofState.PROVEN else Held.UNPROVEN


def _lost(view: View, pool: Pool, box: BoxId, client: str) -> list[Need]:
    gone = [member for member in pool.in_tree if member.state in LOST]
    gone = gone[min(hot_spares(pool), len(gone)) :]
    return [
        Need(
            box=box,
            client=client,
            pool=pool.name,
            label=_label(view, member),
            least_bytes=_needed(view, pool, member),
            lost=True,
        )
        for member in gone
    ]


def _label(view: View, member: Member) -> str:
    return view.label_of(member.drives[0]) if member.drives else member.name


def _needed(view: View, pool: Pool, member: Member) -> int | None:
    """Give the least size for a place; where its drive is forgotten, that of its largest peer."""
    own = place_of(pool, member, view.identity_of).needed_bytes
    if own is not None:
        return own
    peers = [
        size
        for other in pool.in_tree
        if (size := place_of(pool, other, view.identity_of).needed_bytes) is not None
    ]
    return max(peers, default=None)


def _least(view: View, pool: Pool, drive: DriveId) -> int | None:
    for member in pool.in_tree:
        if drive in member.drives:
            return _needed(view, pool, member)
    return None


def size_lines(
    stocks: Iterable[Stock], shelf: Sequence[ShelfSpare], now: datetime
) -> tuple[SizeLine, ...]:
    """Give the needs by size, the largest first, held against the shop's shelf.

    A place for which its own box keeps a spare asks for none of the shop's.

    Each spare is counted once: for the largest place it still fits, so that a large one is not
    used up by a small place. One whose size nobody knows is counted nowhere.
    """
    needs: dict[str, list[Need]] = defaultdict(list)
    risks: dict[str, list[Risk]] = defaultdict(list)
    for stock in stocks:
        for need in stock.needs:
            needs[say_bytes(need.least_bytes)].append(need)
        for risk in stock.risks:
            risks[say_bytes(risk.capacity_bytes)].append(risk)
    left = sorted((s for s in shelf if s.bytes is not None), key=lambda s: -(s.bytes or 0))
    lines = []
    for size, least in _sizes(needs, risks):
        every = needs.get(size, [])
        wanted = [need for need in every if not need.is_held]
        taken = [spare for spare in left if least is not None and (spare.bytes or 0) >= least]
        taken = sorted(taken, key=lambda s: s.proof_at(now) is not ProofState.PROVEN)
        used = taken[: len(wanted)]
        used += [s for s in taken[len(wanted) :] if say_bytes(s.bytes) == size]
        left = [spare for spare in left if spare not in used]
        ready = sum(s.proof_at(now) is ProofState.PROVEN and not s.ordered for s in used)
        others = risks.get(size, [])
        lines.append(
            SizeLine(
                size=size,
                least_bytes=least,
                now=sum(need.lost for need in every),
                soon=sum(not need.lost for need in every),
                expected=sum(risk.chance for risk in others),
                others=len(others),
                ready=ready,
                unproven=len(used) - ready,
                beside=len(every) - len(wanted),
                to_get=max(0, len(wanted) - len(used)),
            )
        )
    return tuple(lines)


def _sizes(
    needs: dict[str, list[Need]], risks: dict[str, list[Risk]]
) -> list[tuple[str, int | None]]:
    """Give each size and how large a drive must be for all places of it, the largest first."""
    found: dict[str, int | None] = {}
    for size in {*needs, *risks}:
        known = [n.least_bytes for n in needs.get(size, ())]
        known += [r.capacity_bytes for r in risks.get(size, ())]
        found[size] = max((count for count in known if count is not None), default=None)
    return sorted(found.items(), key=lambda item: (-(item[1] or -1), item[0]))
