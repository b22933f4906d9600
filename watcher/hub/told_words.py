"""What a box told its hub of how it is prepared, in words: its shelf, its drills, its restores."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime

from watcher.facts.readiness import ProofState, RestoreTried, ShelfSpare, ToldReadiness
from watcher.facts.units import say_bytes, say_count, say_span
from watcher.recovery.shelf import say_proof
from watcher.store.readiness import ToldRow

MOST_LINES = 20
"""Spares, and things that were restored, that are named; the rest is counted. Our choice."""

NOT_TOLD = (
    "Not told by this box. A box of this version tells of it by itself: update midwatch there, or "
    "wait for its next survey."
)

Say = Callable[[datetime], str]


def told_words(row: ToldRow, now: datetime, say: Say) -> tuple[tuple[str, str], ...]:
    """Give lines of what is told about and what was told; ``say`` says a moment."""
    if row.told is None or row.at is None:
        return (("its own shelf, drills and restores", NOT_TOLD),)
    return tuple(_lines(row.told, row.at, now, say))


def told_in_short(row: ToldRow, now: datetime, say: Say) -> str:
    """Give it in a line: how many spares, how many of them proven, and the last drill."""
    told = row.told
    if told is None:
        return "Its own shelf, its drills and its restores are not told by this box."
    proven = sum(spare.proof_at(now) is ProofState.PROVEN for spare in told.shelf)
    shelf = f"{say_count(len(told.shelf), 'spare')}, {proven} proven" if told.shelf else "nothing"
    return f"On its own shelf: {shelf}. Last drill: {_drill(told, say)}."


def _lines(told: ToldReadiness, at: datetime, now: datetime, say: Say) -> Iterator[tuple[str, str]]:
    shelf = [say_spare(spare, now) for spare in told.shelf[:MOST_LINES]]
    more = len(told.shelf) - len(shelf)
    shelf += [f"and {say_count(more, 'spare')} more"] if more else []
    yield from (("on its own shelf", line) for line in shelf or ["nothing"])
    yield "last drill", _drill(told, say)
    yield from (("restore", line) for line in _restores(told, say))
    yield "told", say(at)


def say_spare(spare: ShelfSpare, now: datetime) -> str:
    """Say which spare it is, how large, where it lies, and what its burn-in is worth."""
    where = f", {spare.place}" if spare.place else ""
    return f"{spare.label}, {say_bytes(spare.bytes)}{where}: {say_proof(spare, now)}"


def _drill(told: ToldReadiness, say: Say) -> str:
    last = max(told.drills, key=lambda drill: drill.begun_at, default=None)
    if last is None:
        return "none"
    took = last.answer_took
    how = "nobody answered" if took is None else f"answered after {say_span(took)}"
    return f"{say(last.begun_at)} on {last.pool_name}: {how}"


def _restores(told: ToldReadiness, say: Say) -> list[str]:
    last: dict[str, RestoreTried] = {}
    for one in sorted(told.restores, key=lambda tried: tried.at):
        last[one.thing] = one
    lines = [
        f"{one.thing} from {one.copy}, {say(one.at)}: "
        + ("it worked" if one.worked else "it did not work")
        for one in list(last.values())[:MOST_LINES]
    ]
    return lines or ["none was tried"]
