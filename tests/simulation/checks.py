"""Independent checkers: what people were told, against the truth of the box. One promise each.

They know nothing of findings, ladders or hushes. They walk through what the desk was told (its
kept observations, ``steps.py``), look up the truth at the moment of each survey (``guards.py``),
keep their own account of silences, answers and planned work (``account.py``), and compare with
the messages.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from datetime import timedelta

from tests.simulation.account import Account
from tests.simulation.guards import Broken, DriveGuard, PoolGuard
from tests.simulation.stage import Stage
from tests.simulation.steps import Step, walk

SHORTEST_GAP = timedelta(minutes=5)  # the shortest wait on any ladder of these runs
LOCK_SCREEN = 160
_COUNTER = re.compile(r"\b\d{4,}\b")  # no place, share, size or time of day is so long
A_DAY = 140  # EEMUA 191 key figures by published summaries: 120 a day, and twenty at once


def the_book_is_its_folded_history(stage: Stage, steps: list[Step]) -> None:
    """After whatever happened, the book is what its kept history makes of it.

    After each kill on the way it was held against it too (``Stage.restart``).
    """
    if steps and steps[-1].after != stage.book():
        raise Broken("the book is not what its history makes of it")


def decided_is_written_once_and_nothing_else_is(stage: Stage, steps: list[Step]) -> None:
    """Every decision to tell is a row in the outbox, once, and there is no other row."""
    decided = Counter(tell.key for step in steps for tell in step.tells)
    for key in [key for key in decided if "digest" in key]:
        decided[key] = 1  # when the clock is set back, a day's digest may be decided again
    rows = [(notice.key, notice.target) for notice in stage.outbox()]
    written = Counter({key for key, _ in rows})
    if len(rows) != len(set(rows)):
        raise Broken(f"written twice: {Counter(rows).most_common(1)}")
    if decided != written:
        raise Broken(f"decided, not written {decided - written}; not decided {written - decided}")
    if decided and max(decided.values()) > 1:
        raise Broken(f"decided twice: {decided.most_common(1)}")


def everything_arrives(stage: Stage, _steps: list[Step]) -> None:
    """What is in the outbox reached its person."""
    got = _arrivals(stage)
    lost = [(n.key, n.target) for n in stage.outbox() if not got[n.key, n.target]]
    if lost:
        raise Broken(f"never arrived: {lost}")


def it_arrives_again_only_where_a_confirmation_was_cut_off(
    stage: Stage, _steps: list[Step]
) -> None:
    """A message comes twice only after a kill, a failing store, or a lost confirmation."""
    got = _arrivals(stage)
    again = sum(got.values()) - len(got)
    if again > stage.unconfirmed + stage.kills + stage.failures:
        raise Broken(f"{again} arrived again, {stage.unconfirmed} were not confirmed")


def _arrivals(stage: Stage) -> Counter[tuple[str, str]]:
    return Counter((n.key, n.target) for phone in stage.phones.values() for _, n in phone.got)


def nobody_is_told_again_beyond_the_ladder(stage: Stage, steps: list[Step]) -> None:
    """Told again of a case only when something happened, or when the ladder says so."""
    last: dict[tuple[str, int], timedelta] = {}
    happened = timedelta(-1)
    for step in steps:
        if step.changed:
            happened = step.lived
        for tell, item in step.loud:
            key = (tell.person, item.case)
            before = last.get(key)
            # Between two news about one case there is the time in which things are gathered.
            stale = before is not None and happened + stage.policy.gather < before
            if stale and before is not None and step.lived - before < SHORTEST_GAP:
                raise Broken(f"{tell.person} was told again of case {item.case} at {step.at}")
            last[key] = step.lived


def no_day_has_more_messages_than_a_person_can_take(_stage: Stage, steps: list[Step]) -> None:
    """The budget of a day holds for each person, whatever happens."""
    days = Counter((tell.person, step.lived.days) for step in steps for tell in step.tells)
    if days and max(days.values()) > A_DAY:
        raise Broken(f"too many messages: {days.most_common(1)}")


def every_message_fits_a_lock_screen(stage: Stage, _steps: list[Step]) -> None:
    """Title and first line are 160 characters at most (3GPP TS 23.038), with no raw counter."""
    for notice in stage.outbox():
        shown = f"{notice.title}{notice.body.partition(chr(10))[0]}"
        if len(shown) > LOCK_SCREEN or _COUNTER.search(shown):
            raise Broken(f"too long, or a raw counter: {shown}")


def one_trouble_is_one_case(_stage: Stage, steps: list[Step]) -> None:
    """A finding stands in one case, and each place has one open case that weighs."""
    for step in steps:
        still = step.after.open_cases
        findings = Counter(finding.key for case in still for finding in case.standing)
        places = Counter(str(case.locus) for case in still if case.is_weighty)
        for what, count in (findings | places).items():
            if count > 1:
                raise Broken(f"{what} has {count} cases at {step.at}")


def pools_and_drives_are_told_of_as_they_are(stage: Stage, steps: list[Step]) -> None:
    """In time, again, never as well while they are not; quiet only where it was asked for."""
    account = Account(client=stage.policy.client)
    pools = [PoolGuard(name=p.name, pool_id=p.id) for p in stage.world.pools.values()]
    drives: dict[str, DriveGuard] = {}
    for step in steps:
        account.note(step)
        for pool in pools:
            pool.follow(stage, step, account)
        for drive, pool_id in step.snapshot.homes if step.snapshot is not None else ():
            drives.setdefault(drive, DriveGuard(drive=drive, pool_id=pool_id))
        for guard in drives.values():
            guard.follow(step, account)


PROMISES: tuple[Callable[[Stage, list[Step]], None], ...] = (
    the_book_is_its_folded_history,
    decided_is_written_once_and_nothing_else_is,
    everything_arrives,
    it_arrives_again_only_where_a_confirmation_was_cut_off,
    nobody_is_told_again_beyond_the_ladder,
    no_day_has_more_messages_than_a_person_can_take,
    every_message_fits_a_lock_screen,
    one_trouble_is_one_case,
    pools_and_drives_are_told_of_as_they_are,
)


def check(stage: Stage) -> list[Step]:
    """Hold a finished run against all promises. Raises Broken."""
    steps = walk(stage)
    for promise in PROMISES:
        promise(stage, steps)
    return steps


def figures(steps: list[Step]) -> dict[str, float]:
    """Count messages and time, for the report."""
    return {
        "messages": sum(len(step.tells) for step in steps),
        "days": steps[-1].lived / timedelta(days=1) if steps else 0.0,
        "steps": len(steps),
    }
