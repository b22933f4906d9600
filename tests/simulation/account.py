"""Our own account of who asked for quiet, kept without the code under test."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from tests.simulation.stage import Snapshot
from tests.simulation.steps import Step
from tests.simulation.world import BOX
from watcher.cases.observations import (
    Acknowledged,
    HandedOver,
    Silenced,
    SilenceLifted,
    WorkAnnounced,
    WorkEnded,
)
from watcher.cases.state import ExpectKind, ScopeKind


@dataclass
class Account:
    """Silences, answers and planned work as people said them."""

    client: str = ""
    silences: dict[int, Silenced] = field(default_factory=dict)
    works: dict[int, WorkAnnounced] = field(default_factory=dict)
    answers: dict[int, datetime] = field(default_factory=dict)  # case: until
    marks: int = 0

    def note(self, step: Step) -> None:
        """Write down what was said; a clock that was set back moves all terms."""
        if step.back:
            self._follow_clock(step)
        match step.said:
            case Silenced() as silence:
                self.silences[self._mark()] = silence
            case SilenceLifted(number=number):
                self.silences.pop(number, None)
            case WorkAnnounced() as work:
                self.works[self._mark()] = work
            case WorkEnded(number=number):
                self.works.pop(number, None)
            case Acknowledged(case=case, until=until, by=by):
                held = step.after.case(case)
                if held is not None and held.answer is not None and held.answer.by == by:
                    self.answers[case] = until
            case HandedOver(case=case):
                self.answers.pop(case, None)
            case _:
                pass

    def _mark(self) -> int:
        self.marks += 1
        return self.marks

    def _follow_clock(self, step: Step) -> None:
        back = step.back
        self.answers = {case: until - back for case, until in self.answers.items()}
        self.silences = {n: replace(s, until=s.until - back) for n, s in self.silences.items()}
        self.works = {n: _moved(w, back, step) for n, w in self.works.items()}

    def is_answered(self, case: int, now: datetime) -> bool:
        """Tell whether somebody has taken this case until later."""
        return self.answers.get(case, now) > now

    def silences_any(self, now: datetime, *marks: tuple[ScopeKind, str]) -> bool:
        """Tell whether a silence is on for the box, its client, or one of these marks."""
        marks = (*marks, (ScopeKind.BOX, BOX), (ScopeKind.CLIENT, self.client))
        return any((s.scope, s.key) in marks and now < s.until for s in self.silences.values())

    def works_on(self, pool_id: str, now: datetime) -> list[WorkAnnounced]:
        """Give the planned work that is on for a pool."""
        return [w for w in self.works.values() if w.pool == pool_id and w.begins <= now < w.ends]

    def covers_loss(
        self, pool_id: str, name: str, now: datetime, seen: Snapshot | None, *, broken: bool
    ) -> bool:
        """Tell whether somebody asked for quiet about just this loss of margin."""
        if broken:
            return False
        if self.silences_any(now, (ScopeKind.POOL, pool_id)):
            return True
        return any(_announced(work, name, seen) for work in self.works_on(pool_id, now))

    def covers_drive(self, pool_id: str, drive: str, now: datetime) -> bool:
        """Tell whether somebody asked for quiet about whatever this drive does."""
        if self.silences_any(now, (ScopeKind.POOL, pool_id), (ScopeKind.DRIVE, drive)):
            return True
        return any(
            e.kind is ExpectKind.REPLACE and e.drive == drive
            for work in self.works_on(pool_id, now)
            for e in work.expects
        )


def _moved(work: WorkAnnounced, back: timedelta, step: Step) -> WorkAnnounced:
    """What is under way moves with the clock; what is only planned keeps its time of day."""
    if step.at + back < work.begins:
        return work
    return replace(work, begins=work.begins - back, ends=work.ends - back)


def _announced(work: WorkAnnounced, name: str, seen: Snapshot | None) -> bool:
    """Tell whether just these drives were announced to go, and no more of them."""
    if seen is None:
        return True  # nothing was seen yet
    going = {e.drive for e in work.expects if e.drive is not None}
    degraded = any(e.kind is ExpectKind.DEGRADED for e in work.expects)
    lost = {f"A8_{serial}" for serial in seen.lost[name]}
    few = seen.seats_lost[name] <= max(len(going), int(degraded))
    return few and (not going or lost <= going)
