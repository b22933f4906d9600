"""All that the rules may look at: one survey, what came before it, and the time."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any

from watcher.facts.checks import require_utc
from watcher.facts.drive import DriveIdentity, DrivePast, DriveReading, DriveUnread, Trace
from watcher.facts.identity import DriveId, PoolId, Subject
from watcher.facts.kernel_event import KernelEvent
from watcher.facts.pool import LOST_STATES, Pool
from watcher.facts.pool_past import PoolPast
from watcher.facts.readiness import Preparation
from watcher.facts.standing import bearers
from watcher.facts.survey import Survey
from watcher.facts.units import say_bytes
from watcher.rules.tuning import Target

_PLAIN_BAY = re.compile(r"[A-Za-z]?\d{1,3}[A-Za-z]?")


@dataclass(frozen=True, kw_only=True)
class View:
    """What the rules look at. The mappings are never changed.

    Every rule asks the same of every drive, so what is found once is kept as long as the view.

    ``recent`` are the kernel events of the last 24 hours, those of this survey included; the box
    keeps them so that a count over a day does not start anew with each survey.
    """

    survey: Survey
    now: datetime
    past: Mapping[DriveId, DrivePast] = field(default_factory=dict)
    pool_past: Mapping[PoolId, PoolPast] = field(default_factory=dict)
    recent: tuple[KernelEvent, ...] = ()
    ready: Preparation | None = None  # None: how the box is prepared was not asked
    looked: dict[str, Any] = field(default_factory=dict, init=False, repr=False, compare=False)
    """What ``look.looks`` keeps: the drives with what was found out about each."""

    def __post_init__(self) -> None:
        """Check the time."""
        require_utc(self.now, "now")

    def events_about(self, subject: Subject) -> tuple[KernelEvent, ...]:
        """Give the recent kernel events about a subject."""
        return self._by_subject.get(subject, ()) if self.recent else ()

    @cached_property
    def _by_subject(self) -> Mapping[Subject, tuple[KernelEvent, ...]]:
        """The recent kernel events of each subject."""
        found: dict[Subject, list[KernelEvent]] = {}
        for event in self.recent:
            if event.subject is not None:
                found.setdefault(event.subject, []).append(event)
        return {subject: tuple(events) for subject, events in found.items()}

    @cached_property
    def present(self) -> frozenset[DriveId]:
        """Drives that are there, whether or not they could be read."""
        return self.survey.present

    def reading(self, drive: DriveId) -> DriveReading | None:
        """Give the reading of a drive, or None."""
        return self._readings.get(drive)

    @cached_property
    def pools(self) -> tuple[Pool, ...]:
        """The pools in the order of their ids."""
        return tuple(sorted(self.survey.pools, key=lambda pool: pool.pool))

    def pools_of(self, drive: DriveId) -> tuple[Pool, ...]:
        """Give the pools whose data rests on a drive, the least protected first.

        A drive that left is looked up in what the pools were made of before.
        """
        return self._homes.get(drive, ())

    @cached_property
    def _homes(self) -> Mapping[DriveId, tuple[Pool, ...]]:
        """The pools of each drive."""
        found: dict[DriveId, list[Pool]] = {}
        pools = self.survey.pools
        for pool in sorted(pools, key=lambda p: (-1 if p.margin is None else p.margin, p.pool)):
            if self.stands_on_pools(pool):
                continue  # its drives are those of the pools below, and these bear their loss
            past = self.pool_past.get(pool.pool)
            before = {*past.drives, *past.lost} if past is not None else set()
            for drive in pool.drives | before:
                found.setdefault(drive, []).append(pool)
        return {drive: tuple(homes) for drive, homes in found.items()}

    def is_out_of(self, drive: DriveId, pool: Pool) -> bool:
        """Tell whether a pool that rested on a drive goes on without it: put out, or replaced.

        Of a pool whose members name no drives that cannot be told, and counts as no.
        """
        named = [m for m in pool.members if drive in m.drives]
        if named:
            return all(member.state in LOST_STATES for member in named)
        inside = pool.in_tree
        return bool(inside) and all(m.drives for m in inside if m.state not in LOST_STATES)

    def stands_on_pools(self, pool: Pool) -> bool:
        """Tell whether all members of a pool are pools that bear a loss themselves.

        So it is with a stripe over mirrors that are arrays of their own, and with a filesystem in
        an encrypted device on an array.
        """
        return bool(bearers(pool, self.survey.pools))

    @cached_property
    def _readings(self) -> Mapping[DriveId, DriveReading]:
        """The readings by drive; of two the first, as the survey gives it."""
        return {r.identity.drive: r for r in reversed(self.survey.drives)}

    @cached_property
    def readings_in_order(self) -> tuple[tuple[DriveReading, Target], ...]:
        """The readings in the order of their drives, with what scopes are compared with."""
        ordered = sorted(self.survey.drives, key=lambda r: r.identity.drive)
        return tuple((r, self.target_of(r.identity.drive)) for r in ordered)

    def identity_of(self, drive: DriveId) -> DriveIdentity | None:
        """Give who a drive is, from this survey or from the past; None for a stranger."""
        reading = self._readings.get(drive)
        if reading is not None:
            return reading.identity
        past = self.past.get(drive)
        return past.identity if past is not None else None

    def bay_of(self, drive: DriveId) -> str | None:
        """Give where a drive sits, in the owner's words; None when that is not known."""
        reading = self._readings.get(drive)
        if reading is not None and reading.bay:
            return reading.bay
        for unread in self.survey.unread:
            if unread.drive == drive and unread.bay:
                return unread.bay
        past = self.past.get(drive)
        return past.bay if past is not None else None

    def node_of(self, drive: DriveId) -> str | None:
        """Give the node at which a drive is or was last seen, without its folder."""
        reading = self._readings.get(drive)
        node = reading.node if reading is not None else None
        if node is None:
            node = next((u.node for u in self.survey.unread if u.drive == drive), None)
        if node is None and (past := self.past.get(drive)) is not None:
            node = past.node
        return node.rsplit("/", 1)[-1] if node else None

    def label_of(self, drive: DriveId) -> str:
        """Name a drive so that it can be found in its case.

        ``bay 3 (Altair A8, 8 TB, serial X1)`` where the bay is known, otherwise
        ``Altair A8, 8 TB, serial X1 (sdb)``. A drive that tells neither model nor serial number,
        as virtual ones do, is ``drive at vda (275 GB)``; a stranger is named by its id.
        """
        bay, node = self.bay_of(drive), self.node_of(drive)
        who: DriveIdentity | DriveUnread | None = self.identity_of(drive)
        if who is None:
            who = next((u for u in self.survey.unread if u.drive == drive), None)
        size = say_bytes(who.capacity_bytes) if who is not None else ""
        if who is not None and (who.model or who.serial):
            words = f"{who.model or 'model unknown'}, {size}, serial {who.serial or 'unknown'}"
        elif who is not None and (bay or node):
            words = f"{size}, tells no serial number" if bay else f"drive at {node}"
            return f"{say_bay(bay)} ({words})" if bay else f"{words} ({size})"
        else:
            words = str(drive)
        if bay:
            return f"{say_bay(bay)} ({words})"
        return f"{words} ({node})" if node else words

    def target_of(self, drive: DriveId) -> Target:
        """Give what scopes of the settings are compared with for a drive."""
        target = self._targets.get(drive)
        if target is None:
            who = self.identity_of(drive)
            pools = self.pools_of(drive)
            target = self._targets[drive] = Target(
                box=self.survey.box,
                drive=drive,
                serial=who.serial if who is not None else None,
                model=who.model if who is not None else None,
                pool=pools[0].pool if pools else None,
                pool_name=pools[0].name if pools else None,
            )
        return target

    @cached_property
    def _targets(self) -> dict[DriveId, Target]:
        """What was made of each drive, once asked."""
        return {}

    def target_of_pool(self, pool: PoolId) -> Target:
        """Give what scopes of the settings are compared with for a pool."""
        name = next((one.name for one in self.survey.pools if one.pool == pool), None)
        if name is None and (past := self.pool_past.get(pool)) is not None:
            name = past.name
        return Target(box=self.survey.box, pool=pool, pool_name=name)


def say_bay(bay: str) -> str:
    """Say a bay: a bare number or letter gets the word ``bay``, the owner's own words stay."""
    return f"bay {bay}" if _PLAIN_BAY.fullmatch(bay) else bay


def trace_up_to(trace: Trace | None, at: datetime, value: int | None) -> Trace | None:
    """Give a trace with a value that was read at a moment; None where one of them lacks.

    What was not reported now is not known now, whatever was recorded before.
    """
    if value is None or trace is None or not trace.points:
        return None
    if trace.points[-1][0] >= at:
        return trace
    return Trace(metric=trace.metric, points=(*trace.points, (at, value)))
