"""What to do now: one sentence, the checklist, what to leave alone, and what can still be read.

The checklist of each step is in checklist.py, the commands beside it are in commands.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from watcher.facts.pool import AtStake, Pool, PoolKind, Protection, Remark
from watcher.facts.units import say_bytes, say_count
from watcher.recovery.checklist import between, checklist, is_ahead, short_label
from watcher.recovery.commands import commands_for
from watcher.recovery.detour_advice import detour_tasks
from watcher.recovery.ground import Command, ground_of
from watcher.recovery.record import STEP_WORDS, WAY, DetourKind, Recovery, Step
from watcher.recovery.seen import Seen
from watcher.recovery.sights import place_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What to do at one moment of a recovery."""

    sentence: str  # where we are and what is next, for a message
    tasks: tuple[str, ...]  # the checklist, in order
    commands: tuple[Command, ...]
    avoid: tuple[str, ...]  # what not to do meanwhile
    readable: str  # what is still readable
    detours: tuple[str, ...] = ()  # what came in between, and what to do about it


def advise(recovery: Recovery, seen: Seen, *, without_backup_bytes: int | None = None) -> Advice:
    """Give the advice for a recovery as a survey shows it.

    ``without_backup_bytes`` is how much has no copy elsewhere; None: not known.
    """
    place = place_of(recovery, seen)
    detours = _detours(recovery, seen)
    first = _beyond(recovery) or recovery.detour(DetourKind.WRONG_PULLED) is not None
    tasks = () if first else checklist(recovery, seen, place)
    return Advice(
        sentence=sentence_of(recovery, seen),
        tasks=(*_backup(recovery, seen, without_backup_bytes), *tasks),
        commands=commands_for(ground_of(recovery, seen)) if recovery.is_open else (),
        avoid=_avoid(recovery, seen),
        readable=readable_of(recovery, seen.pool),
        detours=detours,
    )


def _detours(recovery: Recovery, seen: Seen) -> tuple[str, ...]:
    """Say what came in between and what to do about it.

    Beyond the margin nothing else is to be done than what that asks; the rest is only named.
    """
    standing = recovery.standing_detours
    if _beyond(recovery):
        first, *rest = standing  # the gravest
        return (*detour_tasks(first), *(detour.text for detour in rest))
    here = all(m.drive in seen.present for m in recovery.missing if m.by_hand)
    return tuple(line for one in standing for line in detour_tasks(one, is_here=here))


def _beyond(recovery: Recovery) -> bool:
    return recovery.detour(DetourKind.BEYOND_MARGIN) is not None


def number_of(step: Step) -> str:
    """Say which step of how many it is; whole again is the end and no step."""
    return f"step {WAY.index(step) + 1} of {len(WAY) - 1}"


def sentence_of(recovery: Recovery, seen: Seen, *, says_check: bool = True) -> str:
    """Say in one or two short sentences where the recovery is and what is next.

    ``says_check``: that the cable comes first is said too; False where other words say it.
    """
    if not recovery.is_open:
        return recovery.outcome
    standing = recovery.standing_detours
    if standing and standing[0].kind in _LEADING:
        return standing[0].text
    if recovery.step is Step.VERIFY:
        return f"Whole, not yet verified: run a check of {recovery.name}."
    where = f"Recovery, {number_of(recovery.step)}, {STEP_WORDS[recovery.step]}"
    return f"{where}{_next_of(recovery, seen, says_check=says_check)}"


def _next_of(recovery: Recovery, seen: Seen, *, says_check: bool) -> str:
    """Say what is next at a step, as the end of a sentence."""
    which = " and ".join(short_label(m) for m in recovery.to_replace) or recovery.name
    new = recovery.new_label or "the new drive"
    if recovery.step is Step.MAKE_SURE and is_ahead(recovery, seen):
        return f": see that a drive for {which} is ready before you pull it."
    if recovery.step is Step.GET_DRIVE:
        needed = place_of(recovery, seen).needed_bytes
        size = f" of at least {say_bytes(needed)}" if needed else ""
        return f"{size} for {which}."
    check = f" Check its {between(place_of(recovery, seen))} before you blame it."
    words = {
        Step.MAKE_SURE: f": is it really {which}?{check if says_check else ''}",
        Step.PROVE: f": test {new} before it goes in.",
        Step.SWAP: f": {new} goes in for {which}.",
    }
    return words.get(recovery.step) or f": {_what_runs(seen.pool)}"


def _what_runs(pool: Pool | None) -> str:
    """Say what is next while the pool is filled or mended."""
    if pool is not None and pool.noted(Remark.CANNOT_FINISH) is not None:
        return "it cannot finish as it is; copy what matters now."
    if pool is None or pool.work is not None:
        return "let it finish."
    if pool.noted(Remark.MIXED_PROFILES) is not None:
        return "the new drive is filled; some data still has fewer copies."
    return "it does not run, and the margin is not full; see why."


_LEADING: Final = frozenset(
    {
        DetourKind.BEYOND_MARGIN,
        DetourKind.WRONG_PULLED,
        DetourKind.SECOND_LOSS,
        DetourKind.UNREADABLE,
        DetourKind.NEW_DIED,
        DetourKind.CHECK_DIFFERS,
    }
)
"""Detours so grave that they are said instead of the step."""


def _backup(recovery: Recovery, seen: Seen, without_backup_bytes: int | None) -> tuple[str, ...]:
    """Ask for what cannot be replaced, while the next loss would cost data."""
    pool = seen.pool
    bare = pool is None or pool.protection in {Protection.BARE, Protection.BROKEN}
    if not bare or not recovery.is_open or recovery.step is Step.VERIFY:
        return ()
    if _beyond(recovery) or recovery.detour(DetourKind.WRONG_PULLED) is not None:
        return ()  # something comes before it
    if without_backup_bytes == 0:
        return ("Everything that cannot be replaced has a backup, as far as you declared it.",)
    if without_backup_bytes:
        return (
            (
                f"First: {say_bytes(without_backup_bytes)} that cannot be replaced have no copy "
                "elsewhere. Copy them now, the smallest and dearest first."
            ),
        )
    return (
        (
            "First: is what cannot be replaced also somewhere else? If you are not sure, copy that "
            "now, the smallest and dearest first."
        ),
    )


def _avoid(recovery: Recovery, seen: Seen) -> tuple[str, ...]:
    """Say what not to do while margin is missing."""
    if not recovery.is_open or recovery.step is Step.VERIFY:
        return ()
    if _beyond(recovery):
        return (
            "No writing to any of its drives, no repair, no forced start, no new pool on them.",
            "No restart in the hope that it helps: note first which drive is where.",
        )
    if seen.pool is not None and seen.pool.protection is Protection.WHOLE:
        return ("Pull nothing before the new drive is here and both serial numbers are compared.",)
    avoid = [
        "Pull or unplug no other drive.",
        "No restart for fun: a drive that is weak may not come up again.",
    ]
    if recovery.kind is PoolKind.FILE_PARITY:
        avoid.append("No sync: it would give up what parity can still bring back.")
    elif recovery.kind is PoolKind.BTRFS and recovery.step is not Step.REBUILD:
        avoid.append("No balance: it writes everything anew, with copies missing.")
    elif recovery.kind is not PoolKind.BTRFS:
        avoid.append("No balance, no reshape, no new layout.")
    avoid.append("No big writes, no copying within the pool: copies away from it are welcome.")
    if recovery.step is Step.REBUILD:
        avoid.append("Add no second drive meanwhile: some stacks then begin again.")
    if seen.pool is not None and seen.pool.protection is Protection.THINNED:
        avoid = avoid[:3]
    return tuple(avoid)


def readable_of(recovery: Recovery, pool: Pool | None) -> str:
    """Say what can still be read."""
    if pool is None or pool.protection is Protection.BROKEN:
        if pool is not None and pool.at_stake is AtStake.MEMBER:
            return "What sits on the drives that work can be read on its own; copy it first."
        return "As it is, nothing can be relied on. What seems dead is often only cut off."
    if pool.protection is Protection.UNKNOWN:
        return "Not known: the pool cannot be seen."
    if pool.protection is Protection.WHOLE:
        return "Everything."
    parity = recovery.detour(DetourKind.PARITY_LOST) is not None
    if pool.at_stake is AtStake.MEMBER:
        if parity:
            return "Everything: the lost drive held parity only."
        return (
            "What sits on the other drives, on its own. What sat on the lost one comes back from "
            "parity, as it was at the last sync."
        )
    if pool.margin:
        return f"Everything; the pool can lose {say_count(pool.margin, 'more drive')}."
    return "Everything, as long as no further drive fails."
