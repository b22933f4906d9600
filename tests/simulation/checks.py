"""Independent checkers: what people were told, against the truth of the box.

They know nothing of findings, ladders or hushes. They walk through what the desk was told (its
kept observations), look up the truth at the moment of each survey, keep their own account of
silences, answers and planned work, and compare with the messages.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from tests.simulation.stage import Snapshot, Stage
from tests.simulation.world import BOX
from watcher.cases.decide import decide
from watcher.cases.effects import Item, Tell
from watcher.cases.observations import (
    Acknowledged,
    HandedOver,
    Observation,
    Silenced,
    SilenceLifted,
    SurveyJudged,
    TimePassed,
    WorkAnnounced,
    WorkEnded,
)
from watcher.cases.state import Book, NoticeKind, ScopeKind
from watcher.cases.timeshift import STANDS_STILL_FOR
from watcher.facts.finding import Urgency
from watcher.facts.identity import SubjectKind

RANK = {"whole": 0, "thinned": 1, "bare": 2, "broken": 3}
NEED = {1: Urgency.TODAY, 2: Urgency.NOW, 3: Urgency.NOW}
LOUD = frozenset(
    {
        NoticeKind.OPENED,
        NoticeKind.WORSENED,
        NoticeKind.REMINDER,
        NoticeKind.ANSWER_ENDED,
        NoticeKind.HANDED_OVER,
        NoticeKind.SILENCE_ENDED,
        NoticeKind.SILENCE_BROKEN,
        NoticeKind.UNEXPECTED,
    }
)
TERM = timedelta(minutes=2)
NIGHT = timedelta(hours=10)  # quiet hours and the hour that a clock change may add
LONGEST_GAP = {1: timedelta(hours=24), 2: timedelta(hours=4), 3: timedelta(hours=4)}
SHORTEST_GAP = timedelta(minutes=5)  # the shortest wait on any ladder of these runs
A_DAY = 154  # EEMUA 191 key figures by published summaries: 144 a day and a flood of ten


class Broken(AssertionError):
    """A promise does not hold."""


@dataclass
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


@dataclass
class Watchman:
    """What one pool's checker remembers."""

    rank: int = 0
    told_rank: int = 0
    low_since: timedelta | None = None
    owed_since: timedelta | None = None  # uncovered and worse than told, since
    last_loud: timedelta | None = None
    snapshot: Snapshot | None = None
    blind_now: bool = False


@dataclass
class Account:
    """Our own account of who said what."""

    silences: list[tuple[int, Silenced]] = field(default_factory=list)
    works: list[tuple[int, WorkAnnounced]] = field(default_factory=list)
    answers: dict[int, datetime] = field(default_factory=dict)  # case: until
    marks: int = 0


def walk(stage: Stage) -> list[Step]:
    """Fold the history step by step."""
    book, steps, lived, last = Book(box=stage.book().box), [], timedelta(0), None
    newest, before_snapshot = -1, None
    for at, said in stage.history():
        slept = timedelta(0)
        if last is not None:
            passed = max(at - last, timedelta(0))
            slept = sum(
                (after - begin for begin, after in stage.jumps if last <= begin and after <= at),
                timedelta(0),
            )
            lived += max(passed - slept, timedelta(0))
        back = timedelta(0)
        if book.decided_at is not None and book.decided_at - at >= STANDS_STILL_FOR:
            back = book.decided_at - at
        after, effects = decide(book, said, at, stage.policy)
        snapshot = None
        if isinstance(said, SurveyJudged):
            seen = stage.snapshots[said.taken_at]
            if seen.number > newest:
                newest, snapshot = seen.number, seen
        changed = not isinstance(said, TimePassed | SurveyJudged)
        if snapshot is not None:
            changed = before_snapshot is None or snapshot.state != before_snapshot.state
            before_snapshot = snapshot
        ends = {s.until for s in book.silences} | {w.ends for w in book.works}
        ends |= {w.begins for w in book.works}
        ends |= {c.answer.until for c in book.cases if c.answer is not None}
        changed = (
            changed
            or slept > timedelta(0)
            or any(last is not None and last < end <= at for end in ends)
        )
        tells = tuple(e for e in effects if isinstance(e, Tell))
        steps.append(
            Step(
                at=at,
                lived=lived,
                said=said,
                tells=tells,
                before=book,
                after=after,
                snapshot=snapshot,
                back=back,
                changed=changed,
            )
        )
        book, last = after, at
    return steps


def check(stage: Stage) -> list[Step]:
    """Hold a finished run against all promises. Raises Broken."""
    stage.check_fold()
    steps = walk(stage)
    _nothing_lost_or_made_up(stage, steps)
    _arrivals(stage)
    _no_nagging(stage, steps)
    account = Account()
    guards = {name: Watchman() for name in stage.world.pools}
    for step in steps:
        _note(account, step)
        for name, guard in guards.items():
            _pool(stage, step, account, name, guard)
    return steps


def _nothing_lost_or_made_up(stage: Stage, steps: list[Step]) -> None:
    """Every decision to tell is a row in the outbox, once, and there is no other row."""
    decided = Counter(tell.key for step in steps for tell in step.tells)
    for key in [key for key in decided if "digest" in key]:
        decided[key] = 1  # when the clock is set back, a day's digest may be decided again
    written = Counter(notice.key for notice in stage.outbox())
    if decided != written:
        raise Broken(f"decided, not written {decided - written}; not decided {written - decided}")
    if decided and max(decided.values()) > 1:
        raise Broken(f"decided twice: {decided.most_common(1)}")


def _arrivals(stage: Stage) -> None:
    """Everything arrives; again only where a confirmation was cut off."""
    got = Counter(notice.key for phone in stage.phones.values() for _, notice in phone.got)
    lost = [n.key for n in stage.outbox() if not got[n.key]]
    if lost:
        raise Broken(f"never arrived: {lost}")
    again = sum(got.values()) - len(got)
    if again > stage.unconfirmed + stage.kills + stage.failures:
        raise Broken(f"{again} arrived again, {stage.unconfirmed} were not confirmed")


def _items(step: Step) -> list[tuple[Tell, Item]]:
    return [(tell, item) for tell in step.tells for item in tell.items]


def _no_nagging(stage: Stage, steps: list[Step]) -> None:
    """Told again only when something happened, or when the ladder says so; never a flood."""
    last: dict[tuple[str, int], timedelta] = {}
    happened = timedelta(-1)
    days: Counter[tuple[str, int]] = Counter()
    for step in steps:
        if step.changed:
            happened = step.lived
        for tell, item in _items(step):
            if item.kind not in LOUD:
                continue
            key = (tell.person, item.case)
            before = last.get(key)
            # Between two news about one case there is the time in which things are gathered.
            stale = before is not None and happened + stage.policy.gather < before
            if stale and before is not None and step.lived - before < SHORTEST_GAP:
                raise Broken(f"{tell.person} was told again of case {item.case} at {step.at}")
            last[key] = step.lived
        for tell in step.tells:
            days[tell.person, step.lived.days] += 1
    if days and max(days.values()) > A_DAY:
        raise Broken(f"too many messages: {days.most_common(1)}")


def _note(account: Account, step: Step) -> None:
    """Keep our own account."""
    _follow_clock(account, step)
    match step.said:
        case Silenced() as silence:
            account.marks += 1
            account.silences.append((account.marks, silence))
        case SilenceLifted(number=number):
            account.silences = [s for s in account.silences if s[0] != number]
        case WorkAnnounced() as work:
            account.marks += 1
            account.works.append((account.marks, work))
        case WorkEnded(number=number):
            account.works = [w for w in account.works if w[0] != number]
        case Acknowledged(case=case, until=until, by=by):
            held = step.after.case(case)
            if held is not None and held.answer is not None and held.answer.by == by:
                account.answers[case] = until
        case HandedOver(case=case):
            account.answers.pop(case, None)
        case _:
            pass


def _follow_clock(account: Account, step: Step) -> None:
    """A clock that was set back moves all terms."""
    if step.back:
        account.answers = {c: until - step.back for c, until in account.answers.items()}
        account.silences = [(n, replace(s, until=s.until - step.back)) for n, s in account.silences]
        account.works = [(n, _moved(w, step.back, step)) for n, w in account.works]


def _moved(work: WorkAnnounced, back: timedelta, step: Step) -> WorkAnnounced:
    """What is under way moves with the clock; what is only planned keeps its time of day."""
    if step.at + back < work.begins:
        return work
    return replace(work, begins=work.begins - back, ends=work.ends - back)


def _covered(
    stage: Stage, account: Account, step: Step, pool_id: str, guard: Watchman, name: str
) -> bool:
    """Whether a person asked for quiet about just this."""
    now = step.at
    if guard.rank < RANK["broken"]:
        for _, silence in account.silences:
            fits = (silence.scope, silence.key) in {
                (ScopeKind.BOX, BOX),
                (ScopeKind.POOL, pool_id),
                (ScopeKind.CLIENT, stage.policy.client),
            }
            if fits and now < silence.until:
                return True
        for _, work in account.works:
            if work.pool == pool_id and work.begins <= now < work.ends:
                announced = {e.drive for e in work.expects if e.drive is not None}
                degraded = any(e.kind.value == "degraded" for e in work.expects)
                snapshot = guard.snapshot
                if snapshot is None:
                    return True  # nothing was seen yet
                lost = {f"A8_{serial}" for serial in snapshot.lost[name]}
                allowed = max(len(announced), int(degraded))
                if snapshot.seats_lost[name] <= allowed and (not announced or lost <= announced):
                    return True
    return False


def _pool(stage: Stage, step: Step, account: Account, name: str, guard: Watchman) -> None:
    """Follow one pool: told in time, told again, and never called well while it is not."""
    pool_id = stage.world.pools[name].id
    if step.snapshot is not None:
        guard.blind_now = "md" in step.snapshot.blind
    if step.snapshot is not None and "md" not in step.snapshot.blind:
        guard.snapshot = step.snapshot
        guard.rank = RANK[step.snapshot.truth[name]]
    cases = [
        c for c in step.after.cases if c.locus.kind is SubjectKind.POOL and c.locus.key == pool_id
    ]
    numbers = {c.number for c in cases}
    loud = [
        (tell, item) for tell, item in _items(step) if item.case in numbers and item.kind in LOUD
    ]
    for _, item in _items(step):
        if item.kind is NoticeKind.ALL_CLEAR and item.case in numbers and guard.rank:
            raise Broken(f"all clear for {name} at {step.at} while it is not whole")
    if stage.full:
        _text_tells(stage, step, guard, name, loud)
    _told_ranks(step, guard, loud)
    covered = _covered(stage, account, step, pool_id, guard, name)
    answered = any(account.answers.get(number, step.at) > step.at for number in numbers)
    if guard.rank == 0 or covered:
        guard.owed_since, guard.last_loud = None, None
    else:
        _must_be_told(step, guard, name, answered=answered)


def _must_be_told(step: Step, guard: Watchman, name: str, *, answered: bool) -> None:
    """What is bad and uncovered is told within its term, and again while nobody answers."""
    if guard.rank > guard.told_rank:
        guard.owed_since = step.lived if guard.owed_since is None else guard.owed_since
        term = TERM if guard.rank > 1 else TERM + NIGHT
        if step.lived - guard.owed_since > term:
            raise Broken(f"{name} is {guard.rank} since {guard.owed_since}, not told by {step.at}")
        return
    guard.owed_since = None
    if answered or guard.last_loud is None:
        guard.last_loud = step.lived
        return
    gap = LONGEST_GAP[guard.rank] + TERM + (NIGHT * 2 if guard.rank == 1 else timedelta(0))
    if step.lived - guard.last_loud > gap:
        raise Broken(f"{name} is {guard.rank}, unanswered, and silent until {step.at}")


PLIGHT = {1: "lost margin", 2: "has no margin left", 3: "is broken"}


def _text_tells(
    stage: Stage, step: Step, guard: Watchman, name: str, loud: list[tuple[Tell, Item]]
) -> None:
    """A message about a pool says how it stood at the last look that saw it."""
    seen = guard.snapshot
    if seen is None or "md" in seen.blind or guard.blind_now or name not in seen.listed:
        return
    for tell, _ in loud:
        text = next(f"{n.title}\n{n.body}" for n in stage.outbox() if n.key == tell.key)
        if len(tell.items) == 1 and guard.rank and PLIGHT[guard.rank] not in text:
            raise Broken(f"{name} is {guard.rank} at {step.at}, but the message says:\n{text}")


LOW_FOR = timedelta(hours=24)
"""A pool that was better for so long and is worse again has to be told anew."""


def _told_ranks(step: Step, guard: Watchman, loud: list[tuple[Tell, Item]]) -> None:
    """Keep what people know of how bad it is."""
    if guard.rank == 0 and guard.told_rank:
        guard.low_since = guard.low_since or step.lived
    if guard.rank < guard.told_rank:
        guard.low_since = step.lived if guard.low_since is None else guard.low_since
        if step.lived - guard.low_since >= LOW_FOR:
            guard.told_rank = guard.rank
    else:
        guard.low_since = None
    if loud:
        guard.last_loud = step.lived
        need = NEED.get(guard.rank)
        if need is not None and any(tell.urgency >= need for tell, _ in loud):
            guard.told_rank = max(guard.rank, guard.told_rank)


def figures(steps: list[Step]) -> dict[str, float]:
    """Count messages and time, for the report."""
    return {
        "messages": sum(len(step.tells) for step in steps),
        "days": steps[-1].lived / timedelta(days=1) if steps else 0.0,
        "steps": len(steps),
    }
