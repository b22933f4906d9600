"""How a hub's boxes are said at a terminal: heard of, pools, cases, token."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from watcher.cli.parts import Room
from watcher.cli.show import URGENCY_WORDS
from watcher.facts.finding import Urgency
from watcher.facts.pool import Protection
from watcher.facts.units import say_count, say_span
from watcher.hub.enrolment import TOKEN_RENEWED
from watcher.hub.quiet import is_quiet
from watcher.store.floor import PoolStanding
from watcher.store.hub import BoxState, EnrolledBox


def heard(box: EnrolledBox, room: Room, *, has_token: bool = True) -> str:
    """Say when a box was heard of, that nothing of it is let in, or that it is expected no more."""
    if box.state is BoxState.RETURNED:
        when = f" {room.say(box.returned_at)}" if box.returned_at is not None else ""
        return f"given back to its owner{when}"
    if box.heard_at is None:
        return "not heard of yet" if has_token else "token taken away"
    ago = say_span(room.now - box.heard_at)
    if not has_token:
        return f"token taken away, heard {ago} ago"
    if is_unheard(box, room):
        return f"not heard from for {ago}"
    return f"heard {ago} ago"


def is_unheard(box: EnrolledBox, room: Room) -> bool:
    """Tell whether what is known of a box is as it was when it was last heard of."""
    if box.state is BoxState.RETURNED:
        return True
    return box.quiet_since is not None or is_quiet(box, room.now, timedelta(0))


def pool_words(pools: list[PoolStanding], *, then: bool = False) -> str:
    """Say how pools stand, by name where one is not whole; ``then``: when last heard of."""
    if not pools:
        return "no pool known"
    if then:
        return f"then {pool_words(pools)}"
    told = [f"{p.name} {p.protection.value}" for p in pools if p.protection is not Protection.WHOLE]
    whole = len(pools) - len(told)
    return ", ".join([*told, *([say_count(whole, "pool whole", "pools whole")] if whole else [])])


def case_words(counts: Mapping[Urgency, int]) -> str:
    """Say how many cases are open that somebody must act on, the most urgent first."""
    heavy = sorted((u for u in counts if u is not Urgency.NOTE), key=lambda u: -u.rank)
    return ", ".join(f"{counts[u]} {URGENCY_WORDS[u].lower()}" for u in heavy) or "nothing to do"


def token_words(tokens: tuple[tuple[datetime, datetime | None], ...], room: Room) -> str:
    """Say how old the token is; none that was taken away is left."""
    if not tokens:
        return "taken away: nothing is let in until it joins with a new code"
    made_at, used_at = tokens[0]
    if room.now - made_at >= TOKEN_RENEWED:
        return "old; a new one is asked for with its next survey"
    return f"made {room.say(made_at)}" + ("" if used_at else ", not used yet")
