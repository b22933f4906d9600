"""From a device and what a person typed to a burn-in that may run: guarded, locked, taken up."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from watcher.facts.drive import DriveIdentity, DriveReading
from watcher.facts.pool import Pool
from watcher.facts.readiness import ShelfSpare
from watcher.facts.units import say_day
from watcher.readers.drive_target import DriveTarget
from watcher.readers.erase_guard import Guarded, Named, guard
from watcher.readers.errors import ReadError
from watcher.readers.host import Host
from watcher.readers.self_test import start_self_test
from watcher.readers.smartctl import read_drive
from watcher.readers.spare import look_at_spare
from watcher.recovery.proof_verdict import Outcome, Result
from watcher.recovery.proving import Phase, Proof
from watcher.service.clock import Clock

SEED_BYTES: Final = 16

CAUTIONS: Final = (
    "Everything on the drive is lost for good, and nothing brings it back.",
    "Follow the maker's instructions.",
    "Power down before you touch hardware, unless the bay is made for hot swap.",
    "Give it air: a drive that works for hours gets warm.",
    "It takes hours to days. You may stop it with Ctrl-C or lose power: it goes on where it was.",
)


class CannotProve(Exception):
    """A burn-in cannot begin; every reason in a sentence."""

    def __init__(self, device: str, reasons: tuple[str, ...]) -> None:
        """Keep the reasons."""
        self.reasons = reasons
        super().__init__(f"{device} is left alone. " + " ".join(reasons))


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedDrive:
    """The drive as something that can be asked: by smartctl, at its node."""

    host: Host
    node: str
    device_type: str
    clock: Clock
    identity: DriveIdentity

    @property
    def _target(self) -> DriveTarget:
        """Where to find it."""
        return DriveTarget(node=self.node, device_type=self.device_type, known=self.identity)

    def reading(self) -> DriveReading | None:
        """Give what it says of itself; None when it does not answer, or another one does."""
        answer = read_drive(self.host, self._target, observed_at=self.clock.now(), wake=True)
        if not isinstance(answer, DriveReading):
            return None
        return answer if answer.identity.serial == self.identity.serial else None

    def start_self_test(self) -> str:
        """Start its extended self-test; the reason when it did not start."""
        return start_self_test(self.host, self._target)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleared:
    """A drive that may be worked on."""

    node: str
    identity: DriveIdentity
    size_bytes: int
    device_type: str


def clear(
    host: Host,
    device: str,
    named: Named,
    now: datetime,
    *,
    pools: Iterable[Pool],
    erases: bool,
    device_type: str | None = None,
) -> Cleared:
    """Look at a drive and clear it for work. Raises CannotProve with all that speaks against."""
    host.run(("udevadm", "settle", "--timeout=5"), limit_seconds=10.0)  # names may be on the move
    try:
        answer = look_at_spare(host, device, now, device_type=device_type)
    except ReadError as error:
        raise CannotProve(device, (f"It cannot be asked: {error}.",)) from error
    identity = answer.identity if isinstance(answer, DriveReading) else answer
    seen: Guarded = guard(host, device, identity=identity, named=named, pools=pools, erases=erases)
    if seen.against or seen.identity is None or not seen.size_bytes:
        raise CannotProve(device, seen.against or ("It does not say who it is.",))
    kind = answer.device_type if isinstance(answer, DriveReading) else device_type
    return Cleared(
        node=seen.node,
        identity=seen.identity,
        size_bytes=seen.size_bytes,
        device_type=kind or "auto",
    )


def begin(drive: Cleared, before: Proof | None, now: datetime, *, read_only: bool) -> Proof:
    """Begin a burn-in, or take up one that did not come to its end.

    Raises CannotProve when what was begun was of the other kind or on a drive of another size.
    """
    if before is not None and before.phase is not Phase.DONE:
        if before.read_only != read_only:
            kind = "without erasing" if before.read_only else "with erasing"
            raise CannotProve(
                drive.node,
                (
                    (
                        f"A burn-in {kind} was begun on {say_day(before.begun_at)} and is not "
                        "finished: end it the same way, or begin anew with --anew."
                    ),
                ),
            )
        if before.size_bytes != drive.size_bytes:
            raise CannotProve(
                drive.node,
                (
                    (
                        f"It had {before.size_bytes} bytes when its burn-in was begun, and has "
                        f"{drive.size_bytes} now: that alone is a reason not to trust it."
                    ),
                ),
            )
        return replace(before, resumed=before.resumed + 1)
    return Proof(
        identity=drive.identity,
        size_bytes=drive.size_bytes,
        seed=secrets.token_hex(SEED_BYTES),
        read_only=read_only,
        begun_at=now,
        saved_at=now,
        phase=Phase.READ if read_only else Phase.WRITE,
    )


def on_the_shelf(spare: ShelfSpare, proof: Proof, outcome: Outcome) -> ShelfSpare:
    """Write what a burn-in came to onto the spare; one that is not finished changes nothing."""
    ended = proof.ended_at
    if ended is None:
        return spare
    if outcome.result is Result.PASSED:
        return replace(spare, proven_at=ended, proof=outcome.sentence)
    if outcome.result is Result.FAILED:
        reason = outcome.reasons[0] if outcome.reasons else outcome.sentence
        return replace(spare, failed_at=ended, proof=reason)
    return spare
