"""The kept history of a run, folded step by step: what was said, what followed, what was true."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from tests.simulation.stage import Snapshot, Stage
from watcher.cases.decide import decide
from watcher.cases.effects import Effect, Item, Tell
from watcher.cases.observations import Observation, SurveyJudged, TimePassed
from watcher.cases.state import Book, NoticeKind
from watcher.cases.timeshift import STANDS_STILL_FOR

LOUD = frozenset(
    {
        NoticeKind.OPENED,
        NoticeKind.WORSENED,
        NoticeKind.ADDED,
        NoticeKind.RETURNED,
        NoticeKind.REMINDER,
        NoticeKind.ANSWER_ENDED,
        NoticeKind.HANDED_OVER,
        NoticeKind.SILENCE_ENDED,
        NoticeKind.SILENCE_BROKEN,
        NoticeKind.UNEXPECTED,
    }
)


@dataclass(frozen=True)
class Step:
    """One kept observation, and what came of it."""

    at: datetime  # by the wall clock of the desk
    lived: timedelta  # awake and since the start; never goes back
    said: Observation
    tells: tuple[Tell, ...]
    before: Book
    after: Book
    snapshot: Snapshot | None  # of a survey that was the newest
    back: timedelta  # by how much the clock was set back
    changed: bool  # something happened, in the world or by a person's word or term

    @property
    def items(self) -> list[tuple[Tell, Item]]:
        """All that was said to anybody."""
        return [(tell, item) for tell in self.tells for item in tell.items]

    @property
    def loud(self) -> list[tuple[Tell, Item]]:
        """What asks somebody to act."""
        return [(tell, item) for tell, item in self.items if item.kind in LOUD]


class _Walk:
    """What is remembered from step to step."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.book = Book(box=stage.book().box)
        self.lived = timedelta(0)
        self.last: datetime | None = None
        self.newest = -1
        self.seen: Snapshot | None = None

    def step(self, at: datetime, said: Observation) -> Step:
        """Take one observation."""
        slept = self._live(at)
        before = self.book
        after, effects = decide(before, said, at, self.stage.policy)
        snapshot = self._newest(said)
        happened = self._happened(said, snapshot)
        made = Step(
            at=at,
            lived=self.lived,
            said=said,
            tells=_tells(effects),
            before=before,
            after=after,
            snapshot=snapshot,
            back=_set_back(before, at),
            changed=happened or slept > timedelta(0) or _a_term_ended(before, self.last, at),
        )
        self.book, self.last = after, at
        return made

    def _live(self, at: datetime) -> timedelta:
        """Count the time that was lived through awake; give the time that was not."""
        if self.last is None:
            return timedelta(0)
        slept = sum(
            (
                after - begin
                for begin, after in self.stage.jumps
                if self.last <= begin < after <= at
            ),
            timedelta(0),
        )
        self.lived += max(max(at - self.last, timedelta(0)) - slept, timedelta(0))
        return slept

    def _newest(self, said: Observation) -> Snapshot | None:
        """Give the truth behind a survey that is newer than all before."""
        if not isinstance(said, SurveyJudged):
            return None
        seen = self.stage.snapshots[said.taken_at]
        if seen.number <= self.newest:
            return None
        self.newest = seen.number
        return seen

    def _happened(self, said: Observation, snapshot: Snapshot | None) -> bool:
        """Tell whether a person said something, or the world changed."""
        if snapshot is None:
            return not isinstance(said, TimePassed | SurveyJudged)
        changed = self.seen is None or snapshot.state != self.seen.state
        self.seen = snapshot
        return changed


def _tells(effects: tuple[Effect, ...]) -> tuple[Tell, ...]:
    return tuple(e for e in effects if isinstance(e, Tell))


def _set_back(book: Book, at: datetime) -> timedelta:
    """Say by how much the clock was set back."""
    if book.decided_at is None or book.decided_at - at < STANDS_STILL_FOR:
        return timedelta(0)
    return book.decided_at - at


def _a_term_ended(book: Book, last: datetime | None, at: datetime) -> bool:
    """Tell whether a silence, an answer or planned work ended, or began, since the last step."""
    ends = {s.until for s in book.silences}
    ends |= {moment for w in book.works for moment in (w.begins, w.ends)}
    ends |= {c.answer.until for c in book.cases if c.answer is not None}
    return last is not None and any(last < end <= at for end in ends)


def walk(stage: Stage) -> list[Step]:
    """Fold the history step by step."""
    walking = _Walk(stage)
    return [walking.step(at, said) for at, said in stage.history()]
