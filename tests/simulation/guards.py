"""Those who keep an eye on one pool or one drive through a run, and know the truth about it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from tests.simulation.account import Account
from tests.simulation.stage import Snapshot, Stage
from tests.simulation.steps import Step
from watcher.cases.effects import Item, Tell
from watcher.cases.observations import Acknowledged
from watcher.cases.state import NoticeKind
from watcher.facts.finding import Urgency
from watcher.facts.identity import SubjectKind

RANK = {"whole": 0, "thinned": 1, "bare": 2, "broken": 3}
NEED = {1: Urgency.TODAY, 2: Urgency.NOW, 3: Urgency.NOW}
PLIGHT = {1: "lost margin", 2: "has no margin left", 3: "is broken"}

TERM = timedelta(minutes=2)
NIGHT = timedelta(hours=10)  # quiet hours and the hour that a clock change may add
LONGEST_GAP = {1: timedelta(hours=24), 2: timedelta(hours=4), 3: timedelta(hours=4)}
LOW_FOR = timedelta(hours=24)
"""A pool that was better for so long and is worse again has to be told anew."""


class Broken(AssertionError):
    """A promise does not hold."""


@dataclass
class PoolGuard:
    """Knows how one pool stands, and what people were told of it."""

    name: str
    pool_id: str
    rank: int = 0
    told_rank: int = 0
    low_since: timedelta | None = None
    owed_since: timedelta | None = None  # uncovered and worse than told, since
    last_loud: timedelta | None = None
    snapshot: Snapshot | None = None
    blind_now: bool = False

    def follow(self, stage: Stage, step: Step, account: Account) -> None:
        """Hold one step against all promises about this pool."""
        self._see(step)
        numbers = self._cases(step)
        loud = [(tell, item) for tell, item in step.loud if item.case in numbers]
        self.no_all_clear_while_it_is_not_whole(step, numbers)
        if stage.full:
            self.the_text_says_how_it_stands(stage, step, loud)
        self._remember_what_was_told(step, loud)
        if self.rank == 0 or self._is_covered(step, account):
            self.owed_since, self.last_loud = None, None
            return
        self.what_is_bad_is_told_in_its_term(step)
        answered = any(account.is_answered(number, step.at) for number in numbers)
        self.what_nobody_answers_is_told_again(step, answered=answered)

    def _see(self, step: Step) -> None:
        if step.snapshot is None:
            return
        self.blind_now = "md" in step.snapshot.blind
        if not self.blind_now:
            self.snapshot = step.snapshot
            self.rank = RANK[step.snapshot.truth[self.name]]

    def _cases(self, step: Step) -> set[int]:
        return {
            c.number
            for c in step.after.cases
            if c.locus.kind is SubjectKind.POOL and c.locus.key == self.pool_id
        }

    def _is_covered(self, step: Step, account: Account) -> bool:
        broken = self.rank >= RANK["broken"]
        return account.covers_loss(self.pool_id, self.name, step.at, self.snapshot, broken=broken)

    def no_all_clear_while_it_is_not_whole(self, step: Step, numbers: set[int]) -> None:
        """Nobody hears that it is over while the last look that saw it showed it is not."""
        for _, item in step.items:
            if item.kind is NoticeKind.ALL_CLEAR and item.case in numbers and self.rank:
                raise Broken(f"all clear for {self.name} at {step.at} while it is not whole")

    def the_text_says_how_it_stands(
        self, stage: Stage, step: Step, loud: list[tuple[Tell, Item]]
    ) -> None:
        """A message about a pool says how it stood at the last look that saw it."""
        seen = self.snapshot
        if seen is None or self.blind_now or self.name not in seen.listed or not self.rank:
            return
        for tell in [tell for tell, _ in loud if len(tell.items) == 1]:
            text = next(f"{n.title}\n{n.body}" for n in stage.outbox() if n.key == tell.key)
            if PLIGHT[self.rank] not in text:
                raise Broken(f"{self.name} is {self.rank} at {step.at}, but it says:\n{text}")

    def _remember_what_was_told(self, step: Step, loud: list[tuple[Tell, Item]]) -> None:
        """Keep what people know of how bad it is."""
        if self.rank < self.told_rank:
            self.low_since = step.lived if self.low_since is None else self.low_since
            if step.lived - self.low_since >= LOW_FOR:
                self.told_rank = self.rank
        else:
            self.low_since = None
        if loud:
            self.last_loud = step.lived
            need = NEED.get(self.rank)
            if need is not None and any(tell.urgency >= need for tell, _ in loud):
                self.told_rank = max(self.rank, self.told_rank)

    def what_is_bad_is_told_in_its_term(self, step: Step) -> None:
        """What is bad, and what nobody asked to be quiet about, is told within its term."""
        if self.rank <= self.told_rank:
            self.owed_since = None
            return
        self.owed_since = step.lived if self.owed_since is None else self.owed_since
        term = TERM if self.rank > 1 else TERM + NIGHT
        if step.lived - self.owed_since > term:
            since = self.owed_since
            raise Broken(f"{self.name} is {self.rank} since {since}, not told by {step.at}")

    def what_nobody_answers_is_told_again(self, step: Step, *, answered: bool) -> None:
        """While nobody has answered, the silence between two words is bounded."""
        if self.owed_since is not None:
            return
        if answered or self.last_loud is None:
            self.last_loud = step.lived
            return
        nights = NIGHT * 2 if self.rank == 1 else timedelta(0)
        if step.lived - self.last_loud > LONGEST_GAP[self.rank] + TERM + nights:
            raise Broken(f"{self.name} is {self.rank}, unanswered, and silent until {step.at}")


@dataclass
class DriveGuard:
    """Knows whether one drive condemns itself, and whether people were told of it."""

    drive: str
    pool_id: str
    is_failing: bool = False  # by the last look that could read it
    is_told: bool = False
    well_since: timedelta | None = None
    owed_since: timedelta | None = None

    def follow(self, step: Step, account: Account) -> None:
        """Hold one step against the promises about this drive."""
        self._see(step)
        cases = self._cases(step)
        if any(item.case in cases for tell, item in step.loud if _weighs(tell)):
            self.is_told = True
        if isinstance(step.said, Acknowledged) and step.said.case in cases:
            taken = step.after.case(step.said.case)  # who takes a case has seen it
            self.is_told |= taken is not None and taken.answer is not None
        if not self.is_failing or account.covers_drive(self.pool_id, self.drive, step.at):
            self.owed_since = None
            return
        self.what_condemns_itself_is_told_in_its_term(step)

    def _see(self, step: Step) -> None:
        if step.snapshot is None or self.drive not in step.snapshot.readable:
            return
        self.is_failing = self.drive in step.snapshot.failing
        if self.is_failing:
            self.well_since = None
            return
        self.well_since = step.lived if self.well_since is None else self.well_since
        if step.lived - self.well_since >= LOW_FOR:
            self.is_told = False

    def _cases(self, step: Step) -> set[int]:
        """Name the cases in which something about this drive stands."""
        return {
            case.number
            for case in step.after.cases
            for finding in case.standing
            if finding.subject.kind is SubjectKind.DRIVE and finding.subject.key == self.drive
        }

    def what_condemns_itself_is_told_in_its_term(self, step: Step) -> None:
        """A drive whose own verdict is that it fails is told of, by night in the morning."""
        if self.is_told:
            self.owed_since = None
            return
        self.owed_since = step.lived if self.owed_since is None else self.owed_since
        if step.lived - self.owed_since > TERM + NIGHT:
            raise Broken(f"{self.drive} fails since {self.owed_since}, not told by {step.at}")


def _weighs(tell: Tell) -> bool:
    return tell.urgency >= Urgency.TODAY
