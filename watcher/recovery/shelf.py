"""The shelf against the pools: which spare may stand in for which member, and what that changes.

Sizes and interfaces are judged by :mod:`watcher.recovery.fit`; here every spare is held against
every member of every pool, and the best one decides how long a pool would wait.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final

from watcher.exposure.life import DriveClass, DriveLife
from watcher.exposure.window import Spare, WindowPlan
from watcher.facts.drive import DriveIdentity, Medium, Protocol
from watcher.facts.identity import DriveId
from watcher.facts.pool import Member, Pool, Role
from watcher.facts.readiness import Preparation, ProofState, ShelfSpare, SpareFit
from watcher.recovery.fit import ANY_SECTORS, Fitness, Place, fits

IdentityOf = Callable[[DriveId], DriveIdentity | None]
LabelOf = Callable[[DriveId], str]


def place_of(pool: Pool, member: Member, identity_of: IdentityOf) -> Place:
    """Say what a drive must be to stand in for a member."""
    who = identity_of(member.drives[0]) if len(member.drives) == 1 else None
    data = [
        size
        for other in pool.in_tree
        if other.role is Role.DATA and (size := _size_of(other, identity_of)) is not None
    ]
    return Place(
        role=member.role,
        drive_bytes=who.capacity_bytes if who is not None else None,
        member_bytes=member.capacity_bytes,
        largest_data_bytes=max(data) if data and member.role is Role.PARITY else None,
        logical_sector_bytes=who.logical_sector_bytes
        if who is not None and pool.kind not in ANY_SECTORS
        else None,
        protocol=who.protocol if who is not None else Protocol.UNKNOWN,
        medium=who.medium if who is not None else Medium.UNKNOWN,
    )


def _size_of(member: Member, identity_of: IdentityOf) -> int | None:
    """Give the size of a member's drive, else of the member."""
    sizes = [who.capacity_bytes for d in member.drives if (who := identity_of(d)) is not None]
    known = [size for size in sizes if size is not None]
    return max(known) if known else member.capacity_bytes


def _as_identity(spare: ShelfSpare) -> DriveIdentity:
    """Give the identity of a spare; of an ordered one only the size is known."""
    if spare.identity is not None:
        return replace(spare.identity, capacity_bytes=spare.bytes)
    return DriveIdentity(
        drive=DriveId(f"ordered-{spare.number}"),
        model="",
        serial="",
        capacity_bytes=spare.bytes,
    )


def compare(
    spare: ShelfSpare, pool: Pool, *, identity_of: IdentityOf, label_of: LabelOf
) -> SpareFit:
    """Hold one spare against every member of a pool. A size that is not known fits nowhere."""
    new = _as_identity(spare)
    misfit: list[str] = []
    unsure: list[str] = []
    problems: dict[str, None] = {}
    cautions: dict[str, None] = {}
    for member in pool.in_tree:
        place = place_of(pool, member, identity_of)
        found = fits(new, place)
        unknown = new.capacity_bytes is None or place.needed_bytes is None
        if found.fitness is Fitness.NO:
            misfit.append(_name(member, label_of))
        elif unknown:
            unsure.append(_name(member, label_of))
        problems.update(dict.fromkeys(found.problems))
        if unknown or found.fitness is Fitness.CHECK:
            cautions.update(dict.fromkeys(found.cautions))
    return SpareFit(
        spare=spare.number,
        pool=pool.pool,
        pool_name=pool.name,
        places=len(pool.in_tree),
        too_small_for=tuple(misfit),
        unknown_for=tuple(unsure),
        problems=tuple(problems),
        cautions=tuple(cautions),
    )


def _name(member: Member, label_of: LabelOf) -> str:
    """Name a member as the owner knows it; dedicated parity by its task."""
    where = label_of(member.drives[0]).partition(" (")[0] if member.drives else member.name
    return f"{_PARITY}{where}" if member.role is Role.PARITY else where


_PARITY: Final = "the parity on "


def compare_all(
    shelf: Iterable[ShelfSpare],
    pools: Iterable[Pool],
    *,
    identity_of: IdentityOf,
    label_of: LabelOf,
) -> tuple[SpareFit, ...]:
    """Hold every spare against every pool that has redundancy to bring back."""
    guarded = [pool for pool in pools if pool.full_margin]
    return tuple(
        compare(spare, pool, identity_of=identity_of, label_of=label_of)
        for spare in shelf
        for pool in guarded
    )


def say_fits(fits_of_one: Sequence[SpareFit]) -> str:
    """Say where one spare fits: ``fits all but the parity of orchard``."""
    if not fits_of_one:
        return "cannot be compared: no pool here has redundancy to bring back"
    if all(fit.fits_all for fit in fits_of_one):
        return "fits everywhere"
    small = [fit for fit in fits_of_one if fit.too_small_for]
    unsure = [fit for fit in fits_of_one if fit.unknown_for]
    if not any(fit.fits_some for fit in fits_of_one) and not unsure:
        return "fits nowhere here"
    said = []
    if small:
        said.append(f"fits all but {', '.join(_members(fit, fit.too_small_for) for fit in small)}")
    elif any(fit.fits_some for fit in fits_of_one):
        said.append("fits all whose size is known")
    if unsure:
        which = ", ".join(_members(fit, fit.unknown_for) for fit in unsure)
        said.append(f"may fit {which}, whose size is not known: compare it, to the byte")
    return "; ".join(said)


def _members(fit: SpareFit, names: Sequence[str]) -> str:
    """Name some members of a pool; the pool alone when they are all of it."""
    if len(names) == fit.places:
        return fit.pool_name
    data = [name for name in names if not name.startswith(_PARITY)]
    parts = [*data, "the parity"] if len(data) < len(names) else data
    *first, last = parts
    return (
        f"{', '.join(first)} and {last} of {fit.pool_name}"
        if first
        else (f"{last} of {fit.pool_name}")
    )


def say_proof(spare: ShelfSpare, now: datetime) -> str:
    """Say what the burn-in of a spare is worth, and by when to prove it again."""
    if spare.ordered:
        if spare.arrives_at is None:
            return "ordered, no date"
        late = " (overdue)" if spare.arrives_at < now else ""
        return f"ordered, arrives {spare.arrives_at:%d %b %Y}{late}"
    match spare.proof_at(now):
        case ProofState.PROVEN:
            return f"proven {spare.proven_at:%d %b %Y}, again by {spare.prove_by:%d %b %Y}"
        case ProofState.OUTDATED:
            return f"proven {spare.proven_at:%d %b %Y}: too long ago, prove it again"
        case ProofState.FAILED:
            return f"did not pass on {spare.failed_at:%d %b %Y}: not a spare"
        case ProofState.UNPROVEN:
            return "not proven"


_BEST_FIRST: Final = {
    ProofState.PROVEN: 0,
    ProofState.OUTDATED: 1,
    ProofState.UNPROVEN: 1,
}


def usable(ready: Preparation, pool: Pool, now: datetime) -> tuple[ShelfSpare, ...]:
    """Give the spares that fit every member of a pool, the best first; failed ones never.

    Best is: here before ordered, proven before unproven, then the smallest that fits, so that a
    large one stays for the place that needs it.
    """
    good = [
        spare
        for spare in ready.shelf
        if not spare.has_failed
        and (fit := ready.fit(spare, pool.pool)) is not None
        and fit.fits_all
    ]
    return tuple(
        sorted(
            good,
            key=lambda s: (
                s.ordered,
                _BEST_FIRST.get(s.proof_at(now), 2),
                s.bytes or 0,
                s.number,
            ),
        )
    )


def spare_state(spare: ShelfSpare, now: datetime) -> Spare:
    """Say where a replacement is, in the words that a window is computed with."""
    if spare.ordered:
        return Spare.ORDERED
    return Spare.PROVEN if spare.proof_at(now) is ProofState.PROVEN else Spare.UNPROVEN


def plan_with(plan: WindowPlan, ready: Preparation | None, pool: Pool, now: datetime) -> WindowPlan:
    """Put what lies on the shelf, and what has no copy elsewhere, into a plan for one pool.

    A spare inside the pool comes first: its rebuild starts by itself.
    """
    if ready is None:
        return plan
    bare = without_copy_bytes(ready, now)
    if bare is not None:
        plan = replace(plan, without_backup_bytes=bare)
    good = usable(ready, pool, now)
    here = [spare for spare in good if not spare.ordered]
    inside = dict(ready.hot_spares).get(pool.pool, 0)
    if inside:
        return replace(plan, spare=Spare.IN_PLACE, second_spare=inside > 1 or bool(here))
    if not good:
        return plan
    best = good[0]
    return replace(
        plan,
        spare=spare_state(best, now),
        arrives_at=best.arrives_at if best.ordered else None,
        second_spare=len(here) > 1,
        new_drive=_life_of(best),
    )


def _life_of(spare: ShelfSpare) -> DriveLife | None:
    """Give what is known of a spare's future; None for one that is not here."""
    if spare.identity is None:
        return None
    who = spare.identity
    return DriveLife(
        drive=who.drive, drive_class=class_of(who), capacity_bytes=spare.bytes, model=who.model
    )


def class_of(identity: DriveIdentity) -> DriveClass:
    """Name the class by which published failure rates know a drive."""
    if identity.protocol is Protocol.NVME:
        return DriveClass.NVME
    by_medium: Mapping[Medium, DriveClass] = {
        Medium.FLASH: DriveClass.FLASH,
        Medium.ROTATING: DriveClass.HARD_DISK,
    }
    return by_medium.get(identity.medium, DriveClass.UNKNOWN)


def without_copy_bytes(ready: Preparation, now: datetime) -> int | None:
    """Give how much that cannot be got again has no fresh copy; None when that is not known."""
    if not ready.things:
        return None
    alone = [thing for thing in ready.things if not thing.fresh_copies(now)]
    if any(thing.bytes is None for thing in alone):
        return None
    return sum(thing.bytes or 0 for thing in alone)
