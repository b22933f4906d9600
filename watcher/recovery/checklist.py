"""The checklist of each step: what to do with one's hands, in order.

Sentences for a careful owner; every one that touches hardware names bay, model, size and serial
number. The commands beside them are in commands.py.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType
from typing import Final

from watcher.facts.drive import Medium, Protocol
from watcher.facts.pool import PoolKind, Remark, Role, WorkState
from watcher.facts.units import say_bytes
from watcher.recovery.fit import Fitness, Place, fits
from watcher.recovery.ground import is_replaced, still_works
from watcher.recovery.record import LostMember, Recovery, Step
from watcher.recovery.seen import Seen
from watcher.recovery.sights import candidates

POWER_DOWN: Final = (
    "Power the box down first, unless the bay is made for hot swap; follow the makers' "
    "instructions, and touch bare metal before you touch a board."
)
PROVE_ERASES: Final = "A burn-in erases the drive: only ever on one that is in no pool."


def checklist(recovery: Recovery, seen: Seen, place: Place) -> tuple[str, ...]:
    """Give what to do at the step of a recovery; ``place`` is where the new drive goes."""
    return _TASKS[recovery.step](recovery, seen, place)


def short_label(one: LostMember) -> str:
    """Name a member shortly: the bay where it is known, else all of it."""
    head, _, rest = one.where.partition(" (")
    return head if rest else one.where


def between(place: Place) -> str:
    """Name what lies between a drive and the box; one in a slot has no cable."""
    return "seat" if place.protocol is Protocol.NVME else "cable and power"


def is_ahead(recovery: Recovery, seen: Seen) -> bool:
    """Tell whether all that is to be replaced now still works."""
    due = recovery.to_replace
    return bool(due) and all(still_works(m, recovery, seen) for m in due)


def _which(recovery: Recovery) -> str:
    return "; ".join(m.where for m in recovery.to_replace) or "the member that is out"


def _make_sure(recovery: Recovery, seen: Seen, place: Place) -> tuple[str, ...]:
    """Is it really that drive?"""
    slot = place.protocol is Protocol.NVME
    cheap = "its seat, its screw, its cooling" if slot else "data cable, power plug, backplane"
    which = _which(recovery)
    tasks = []
    for lost in recovery.to_replace:
        cable = seen.cable.get(lost.drive) if lost.drive is not None else None
        guilt = seen.guilt.get(lost.drive) if lost.drive is not None else None
        if cable and not guilt:
            tasks.append(f"{short_label(lost)}: {cable}. That points at the cable, not the drive.")
        if guilt:
            tasks.append(f"{short_label(lost)}: {guilt}. That points at the drive.")
    if is_ahead(recovery, seen):
        return (
            *tasks,
            f"It still works and stays in until the new drive is here: {which}.",
            "Have the new drive in hand, and proven, before you pull anything.",
        )
    return (
        *tasks,
        f"It concerns {which}.",
        (
            "Note which drive sits in which bay, by serial number, before you touch anything "
            "(midwatch drives; midwatch locate DRIVE)."
        ),
        f"Check the cheap things first: {cheap}. {POWER_DOWN}",
        (
            "Then look again. If it comes back, look at its signs before you trust it; if it stays "
            "out, it is the drive. Do not let this hold up the order of a new one."
        ),
    )


_SPOKEN: Final[Mapping[Protocol, str]] = MappingProxyType(
    {Protocol.ATA: "ATA", Protocol.SCSI: "SCSI", Protocol.NVME: "NVMe"}
)


def _get_drive(recovery: Recovery, seen: Seen, place: Place) -> tuple[str, ...]:
    """A drive that fits must come."""
    needed = place.needed_bytes
    tasks = []
    if not is_ahead(recovery, seen):
        tasks.append(
            f"Did you check its {between(place)}? If it was only that, no drive is needed."
        )
    if needed is not None:
        parity = place.role is Role.PARITY
        than = "as the largest data member" if parity else "as the drive that it replaces"
        tasks.append(
            f"Take one from the shelf or order one: at least as large {than}, {needed:,} bytes "
            f"({say_bytes(needed)}). One sector less is refused by most pools."
        )
    else:
        tasks.append(
            "Take one from the shelf or order one. How large it must be is not known: compare it "
            "with the other members, to the byte."
        )
    sector = place.logical_sector_bytes
    kind = [_SPOKEN[place.protocol]] if place.protocol in _SPOKEN else []
    kind += [f"sectors of {sector:,} bytes (as the drive shows them)"] if sector else []
    if kind:
        tasks.append(f"It must match: {', '.join(kind)}.")
    if place.medium is not Medium.FLASH:
        tasks.append(
            "Check the recording type in the data sheet: a shingled drive can take many times "
            "longer in a rebuild."
        )
    tasks += [
        f"{seen.label(one.identity.drive)} is here and does not fit: {fit.sentence}"
        for one, fit in candidates(recovery, seen)
        if fit.problems
    ]
    tasks += [
        f"{seen.label(one.identity.drive)} stays out: {one.refusal}. Send it back if it is new."
        for one in seen.newcomers
        if one.refusal and (one.is_spare or one.identity.drive not in recovery.drives_then)
    ]
    return (*tasks, *_not_said_to_be_spare(recovery, seen, place))


def _not_said_to_be_spare(recovery: Recovery, seen: Seen, place: Place) -> Iterator[str]:
    """Name drives that would fit and were here before: only the owner knows whether they are free.

    One that is in no pool may hold the system, or a backup.
    """
    proposed = {one.identity.drive for one, _ in candidates(recovery, seen)}
    others = {*proposed, *recovery.members_then, *recovery.tried, *(m.drive for m in recovery.lost)}
    for one in seen.newcomers:
        drive = one.identity.drive
        unfit = one.refusal or fits(one.identity, place).fitness is Fitness.NO
        if drive in others or drive not in recovery.drives_then or unfit:
            continue
        yield (
            f"{seen.label(drive)} is here too, in no pool, and would fit. If nothing needs it, say "
            "that it is a spare: midwatch shelf add DEVICE"
        )


def _prove(recovery: Recovery, seen: Seen, place: Place) -> tuple[str, ...]:
    """It is here; is it good?"""
    del place
    label = recovery.new_label or "the new drive"
    cautions = [
        f"{label}: {caution}"
        for one, fit in candidates(recovery, seen)
        if one.identity.drive == recovery.new_drive
        for caution in fit.cautions
    ]
    return (
        f"Test {label} before it goes in: new drives can be dead or weak out of the box.",
        *cautions,
        f"{PROVE_ERASES} Name it by its id and compare the serial number with its label.",
        (
            "The extended self-test is the least; a full write and read-back finds more and takes "
            "longer. midwatch exposure says whether the time it takes is worth it."
        ),
    )


def _swap(recovery: Recovery, seen: Seen, place: Place) -> tuple[str, ...]:
    """It may go in."""
    del place
    which = _which(recovery)
    label = recovery.new_label or "the new drive"
    good = sorted(
        {seen.label(d) for m in seen.members for d in m.drives}
        - {m.where for m in recovery.to_replace}
        - {recovery.new_label}
    )
    stay = f"These stay in, whatever happens: {'; '.join(good)}." if good else ""
    announce = (
        ""
        if seen.announced
        else f"Announce it, so that only the expected is quiet: midwatch maintenance begin --pool "
        f'{shlex.quote(recovery.name)} --expect "replace SERIAL" --for 3h'
    )
    first = next(iter(recovery.to_replace), None)
    find = (
        f"midwatch locate {first.drive}" if first is not None and first.drive else "midwatch locate"
    )
    lines = (
        announce,
        (
            f"Find it: {find}. Out goes: {which}. Bay and serial number must both match, read off "
            "the drive itself."
        ),
        stay,
        POWER_DOWN,
        f"In goes: {label}. Compare its serial number too.",
        (
            "Keep the old drive, unchanged, until the recovery is verified: it may hold what "
            "another cannot read."
        ),
    )
    return tuple(line for line in lines if line)


def _rebuild(recovery: Recovery, seen: Seen, place: Place) -> tuple[str, ...]:
    """It is being filled, or left-overs are being mended."""
    del place
    pool = seen.pool
    tasks = []
    if pool is not None and pool.work is None:
        tasks.append("Nothing runs just now, and the margin is not full.")
        mixed = pool.noted(Remark.MIXED_PROFILES)
        if mixed is not None:
            tasks.append(f"What is left to do: {mixed.text}")
        elif recovery.kind is PoolKind.FILE_PARITY:
            tasks.append("Bring the lost files back, then compare them with their checksums.")
        else:
            tasks += [f"Why: {n.text}" for n in pool.notes if n.at_most is not None]
    elif (stuck := pool.noted(Remark.CANNOT_FINISH) if pool is not None else None) is not None:
        tasks.append(f"Why it cannot finish: {stuck.text}")
    elif pool is not None and pool.work is not None and pool.work.state is not WorkState.RUNNING:
        tasks.append(f"The {pool.work.kind.value} is {pool.work.state.value}: see who holds it.")
    else:
        tasks.append("Let it finish. Keep the load light, and the box running.")
    if is_replaced(recovery, seen):
        tasks.append(
            "Keep the old drive, unchanged: if a sector cannot be read, it may still have it."
        )
    return tuple(tasks)


def _verify(recovery: Recovery, seen: Seen, place: Place) -> tuple[str, ...]:
    """Whole, not yet verified."""
    del place
    if seen.pool is not None and not seen.pool.offers_check:
        return ("This kind of pool offers no check: compare some files with a backup.",)
    tasks = [
        (
            "The margin is full. A check that reads everything proves that what was written can be "
            "read back: run one at a quiet time."
        )
    ]
    if seen.pool is not None:
        tasks += [f"Still there: {n.text}" for n in seen.pool.notes if n.remark not in _QUIET]
    if is_replaced(recovery, seen):
        tasks.append("Keep the old drive until it has ended well.")
    return tuple(tasks)


_QUIET: Final = frozenset(
    {
        Remark.EXTERNAL_METADATA,
        Remark.READ_ONLY,
        Remark.MEMBER_SLOW,
        Remark.SPACE_LOW,
        Remark.METADATA_LOW,
    }
)


def _over(recovery: Recovery, seen: Seen, place: Place) -> tuple[str, ...]:
    """It is over."""
    del place
    if not is_replaced(recovery, seen):
        return ()
    return (
        "Put a spare back on the shelf, and prove it there.",
        "The old drive holds your data: wipe it before it leaves the house.",
    )


_TASKS: Final[Mapping[Step, Callable[[Recovery, Seen, Place], tuple[str, ...]]]] = MappingProxyType(
    {
        Step.MAKE_SURE: _make_sure,
        Step.GET_DRIVE: _get_drive,
        Step.PROVE: _prove,
        Step.SWAP: _swap,
        Step.REBUILD: _rebuild,
        Step.VERIFY: _verify,
        Step.WHOLE: _over,
    }
)
