"""Detours: what comes in between on the way back. They change the advice, never the step."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Final

from watcher.facts.pool import LOST_STATES, MemberState, Remark, Role
from watcher.recovery.record import Detour, DetourKind, Event, LostMember, Recovery, Step
from watcher.recovery.seen import Seen
from watcher.recovery.sights import Shown, Sight, is_short, lost_members


def compare_detours(recovery: Recovery, seen: Seen, shown: Shown, events: list[Event]) -> Recovery:
    """Begin and end detours by what a survey shows, and collect what was lost."""
    now = _holding(recovery, seen, shown)
    kept: list[Detour] = []
    for old in recovery.detours:
        if old.over_at is None and old.kind is DetourKind.WRONG_PULLED and old.kind in now:
            kept.append(replace(old, text=now[old.kind]))  # one more, or they are here again
            continue
        if old.over_at is not None or old.kind in now:
            kept.append(old)
            continue
        kept.append(replace(old, over_at=seen.at))
        events.append(Event(what="recovery-detour-over", text=old.text))
    standing = {d.kind for d in kept if d.over_at is None}
    for kind, text in now.items():
        if kind not in standing:
            kept.append(Detour(kind=kind, began_at=seen.at, text=text))
            events.append(Event(what="recovery-detour", text=text))
    current = replace(
        recovery,
        detours=tuple(kept),
        harm=_harm(recovery, seen, shown),
        lost=tuple(_told_apart(recovery, one, seen) for one in recovery.lost),
    )
    if shown.sight is Sight.NEW_LOST and recovery.new_drive is not None:
        current = replace(current, tried=(*recovery.tried, recovery.new_drive))
    if shown.sight in {Sight.NEW_LOST, Sight.NEW_REFUSED, Sight.NEW_AWAY}:
        current = replace(
            current, new_drive=None, new_label="", new_joined=False, new_away_since=None
        )
    return current


def _holding(recovery: Recovery, seen: Seen, shown: Shown) -> Mapping[DetourKind, str]:
    """Say which detours hold, each in a sentence."""
    found: dict[DetourKind, str] = {}
    pool = seen.pool
    if shown.sight in {Sight.BROKEN, Sight.GONE}:
        found[DetourKind.BEYOND_MARGIN] = (
            f"{recovery.name} is beyond its margin or has stopped: write nothing to its drives, "
            "and do not create it anew."
        )
    if pool is None:
        for old in recovery.standing_detours:  # what cannot be compared now goes on
            found.setdefault(old.kind, old.text)
        return found
    _further_losses(recovery, seen, found)
    _unreadable(recovery, seen, found)
    if shown.sight is Sight.NEW_LOST:
        found[DetourKind.NEW_DIED] = (
            f"The replacement {recovery.new_label} is lost too: another drive is needed."
        )
    elif (old_one := recovery.detour(DetourKind.NEW_DIED)) is not None and (
        is_short(pool) and not recovery.new_joined
    ):
        found[DetourKind.NEW_DIED] = old_one.text
    back = [
        m
        for m in recovery.missing
        if m.was_away and not (m.planned or m.by_hand) and m.drive in seen.present
    ]
    if back and is_short(pool):
        found[DetourKind.OLD_BACK] = (
            f"The lost drive is here again: {back[0].where}. It is not in step; do not trust it "
            "before its signs are known."
        )
    out = [m for m in recovery.missing if not m.planned]
    if out and is_short(pool) and all(m.role is Role.PARITY for m in out):
        found[DetourKind.PARITY_LOST] = (
            "The lost drive held parity only: all data is there and readable, and nothing guards "
            "it as before."
        )
    if shown.sight is Sight.UNCLEAN and recovery.step is Step.VERIFY:
        found[DetourKind.CHECK_DIFFERS] = (
            f"{recovery.name} is whole by count, but something does not fit: "
            f"{shown.evidence[-1].rstrip('.')}."
        )
    return found


def _further_losses(recovery: Recovery, seen: Seen, found: dict[DetourKind, str]) -> None:
    """Find what was lost after the recovery opened, while something else is out.

    Once what was lost first is back, what is out alone is no further loss.
    """
    later = [
        m
        for m in recovery.missing
        if not m.planned and m.since > recovery.opened_at and _out(m, seen)
    ]
    pulled = [m for m in later if _told_apart(recovery, m, seen).by_hand]
    if pulled:
        found[DetourKind.WRONG_PULLED] = _say_pulled(pulled, recovery.lost[0], seen)
    bad = [m for m in seen.members if m.state in LOST_STATES or m.state is MemberState.REBUILDING]
    alone = len(bad) < 2 and len([m for m in recovery.missing if not m.planned]) < 2
    for one in later:
        if one not in pulled and not alone:
            running = " during the rebuild" if recovery.step is Step.REBUILD else ""
            found[DetourKind.SECOND_LOSS] = f"Another member is lost{running}: {one.where}."


BEFORE_ALL: Final = "before anything else"
"""How it ends what a good drive that was pulled asks for; nothing else asks in these words."""


def _say_pulled(pulled: list[LostMember], meant: LostMember, seen: Seen) -> str:
    """Say which good drives left the box, or that they are here again and not in step."""
    names = " and ".join(m.where for m in pulled)
    lone = len(pulled) == 1
    it, was = ("it", "it was") if lone else ("them", "they were")
    if any(m.drive not in seen.present for m in pulled):
        return (
            f"{names} left the box, and {was} good; {meant.where} was meant. Put {it} back where "
            f"{was}, {BEFORE_ALL}."
        )
    return (
        f"{names} {'is' if lone else 'are'} here again and not in step: take {it} back by the "
        f"command for it, {BEFORE_ALL}."
    )


def _told_apart(recovery: Recovery, one: LostMember, seen: Seen) -> LostMember:
    """Tell a drive that was pulled by hand from one that was lost; what speaks against it wins."""
    if one.planned or one.drive is None or one.since <= recovery.opened_at:
        return one
    if one.by_hand:
        return replace(one, by_hand=one.drive not in seen.guilt)
    fresh = one.since == seen.at
    return replace(one, by_hand=fresh and _was_pulled(recovery, one, seen))


def _out(one: LostMember, seen: Seen) -> bool:
    """Tell whether a lost member is out in this survey."""
    if one.drive is None:
        return bool(lost_members(seen))
    return one.drive not in seen.drives_in(MemberState.GOOD, MemberState.REBUILDING)


_HANDS_ON: Final = frozenset({Step.PROVE, Step.SWAP})

HANDS_ON_FOR: Final = timedelta(hours=12)
"""How long after a swap was called off for want of its drive a person may still be at the box: our
choice, a working day and its evening. Too short: a good drive that was pulled counts as lost. Too
long: a lost one counts as pulled, until something speaks against it."""


def _at_the_box(recovery: Recovery, seen: Seen) -> bool:
    """Tell whether a person is likely to have hands on the drives: a swap is near, or just was."""
    if recovery.step in _HANDS_ON:
        return True
    before = recovery.stays[-2:-1] if recovery.step is Step.GET_DRIVE else ()
    return any(
        stay.step in _HANDS_ON and seen.at - recovery.entered_at <= HANDS_ON_FOR for stay in before
    )


def _was_pulled(recovery: Recovery, one: LostMember, seen: Seen) -> bool:
    """Tell whether a member left by a person's hand.

    That is a good drive that vanished while another one was announced or about to be swapped.
    """
    if one.drive is None or one.drive in seen.present or not seen.drives_answered:
        return False
    if one.drive in seen.guilt or one.drive in seen.announced:
        return False
    return bool(seen.announced) or _at_the_box(recovery, seen)


_UNREADABLE: Final = (Remark.CANNOT_FINISH, Remark.DAMAGED_DATA)


def _unreadable(recovery: Recovery, seen: Seen, found: dict[DetourKind, str]) -> None:
    """Find data that no remaining member can give."""
    assert seen.pool is not None  # noqa: S101 - the caller has looked
    note = next((n for kind in _UNREADABLE if (n := seen.pool.noted(kind)) is not None), None)
    if note is not None:
        found[DetourKind.UNREADABLE] = (
            f"Some data of {recovery.name} cannot be read from what is left: "
            f"{note.text.rstrip('.')}."
        )


def _harm(recovery: Recovery, seen: Seen, shown: Shown) -> tuple[str, ...]:
    """Collect what was lost, each thing once."""
    harm = list(recovery.harm)
    if shown.sight in {Sight.BROKEN, Sight.GONE}:
        text = "The pool was out of reach for a time: what was being written then may be lost."
        harm += [text] if text not in harm else []
    if seen.pool is not None:
        for note in seen.pool.notes:
            if note.remark in _UNREADABLE and note.text not in harm:
                harm.append(note.text)
            elif note.remark is Remark.UNSYNCED and is_short(seen.pool) and lost_members(seen):
                text = (
                    "Changes since the last sync were not covered by parity when the drive was "
                    "lost."
                )
                harm += [text] if text not in harm else []
    return tuple(harm)
