"""One complete look at a box: what it hands over to the desk."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from watcher.facts.checks import require_utc
from watcher.facts.drive import DriveReading, DriveUnread, Unread
from watcher.facts.identity import BoxId, DriveId, Subject, SubjectKind
from watcher.facts.kernel_event import KernelEvent
from watcher.facts.pool import Pool, PoolKind
from watcher.facts.readiness import BackupsSeen

SURVEY_FORMAT = 1
"""Version of the shape of a survey; a newer one is refused, not guessed."""

READER = "reader"
"""The source that stands before all others where the watch runs in two halves: the half that
looks. While it is gone every source is a blind spot, and all for this one reason."""


RIGHTS = "rights"
"""What stands for all that a look may not ask, where that is more than one thing: the look lacks
rights then, and to give them is one next step."""


_TELL_OF_POOLS = frozenset({*PoolKind, "block-devices", READER})
"""The sources without which a pool may stay out of a survey."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blindness:
    """A source that could not be looked at."""

    source: str  # "drive-discovery", "md", "zfs", "btrfs", "lvm", "kernel-log", …
    why: Unread
    detail: str  # what was seen, one sentence
    remedy: str  # what to do about it, one sentence
    subject: Subject | None = None  # the pool or drive it hides, when that is known


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """All that was seen in one round, and all that could not be seen."""

    survey: str  # unique id, so that handing it over twice counts once
    box: BoxId
    taken_at: datetime
    drives: tuple[DriveReading, ...] = ()
    unread: tuple[DriveUnread, ...] = ()
    pools: tuple[Pool, ...] = ()
    events: tuple[KernelEvent, ...] = ()
    blind: tuple[Blindness, ...] = ()
    answered: tuple[str, ...] = ()  # the sources that answered in full
    doubts: tuple[str, ...] = ()  # what may be missing in what was seen, a sentence each
    backups: BackupsSeen | None = None  # None: not looked at in this round
    format: int = SURVEY_FORMAT

    def __post_init__(self) -> None:
        """Check the time and the format."""
        require_utc(self.taken_at, "taken_at")
        if self.format > SURVEY_FORMAT:
            raise ValueError(f"survey format {self.format} is newer than {SURVEY_FORMAT}")

    def reading(self, drive: DriveId) -> DriveReading | None:
        """Give the reading of a drive, or None."""
        return next((r for r in self.drives if r.identity.drive == drive), None)

    def of_box(self, box: BoxId, survey: str) -> Survey:
        """Give it as that of another box, by another id; what is said of the box is said of that.

        For a hub, which believes nothing that a box says of itself.
        """
        events = tuple(
            replace(event, subject=replace(event.subject, key=box))
            if event.subject is not None and event.subject.kind is SubjectKind.BOX
            else event
            for event in self.events
        )
        return replace(self, survey=survey, box=box, events=events)

    @property
    def blind_to_tell(self) -> tuple[Blindness, ...]:
        """The blind spots worth a line each: where the reader is gone, that one says it all."""
        return tuple(spot for spot in self.blind if spot.source == READER) or self.blind

    @property
    def forbidden(self) -> tuple[Blindness | DriveUnread, ...]:
        """All that may not be asked; empty where that is one thing only, which says so itself."""
        sources = [b for b in self.blind_to_tell if b.why is Unread.FORBIDDEN]
        drives = [u for u in self.unread if u.why is Unread.FORBIDDEN]
        if len({spot.source for spot in sources}) + len(drives) < 2:
            return ()
        return (*sources, *drives)

    @property
    def hides_pools(self) -> bool:
        """Whether there may be pools that this survey could not see: none in it means nothing."""
        return any(spot.source in _TELL_OF_POOLS for spot in self.blind)

    @property
    def present(self) -> frozenset[DriveId]:
        """Drives that are there, whether or not they could be read."""
        return frozenset(r.identity.drive for r in self.drives) | frozenset(
            u.drive for u in self.unread if u.drive is not None and u.why is not Unread.VANISHED
        )
