"""One complete look at a box: drives, pools and the kernel log, put together.

Each source is asked by its own reader and fails alone: what could not be looked at is in
``Survey.blind`` or ``Survey.unread``, and only what answered in full is in ``Survey.answered``.
The order matters. Block devices come first, because everything is traced to a drive through
them; drives before pools, because a drive's own answer may correct its identity; the kernel log
last, so that a line about ``sdb`` is given to the drive that is ``sdb`` now.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from watcher.facts.drive import DriveReading, DriveUnread, Unread, Verdict
from watcher.facts.identity import BoxId, DriveId, Subject, about_drive, about_pool
from watcher.facts.kernel_event import KernelEvent
from watcher.facts.pool import Pool
from watcher.facts.readiness import BackupsSeen
from watcher.facts.survey import Blindness, Survey
from watcher.facts.units import say_count
from watcher.readers.blocks import BlockMap, read_blocks
from watcher.readers.copies import ThingAsked, read_things
from watcher.readers.discovery import SOURCE as DISCOVERY
from watcher.readers.discovery import ToldDrive, discover
from watcher.readers.drives import learn_ids, read_all
from watcher.readers.enclosure import bay_names, read_bays
from watcher.readers.errors import ReadError
from watcher.readers.host import Host
from watcher.readers.kernel_fold import Names, fold, names_from_sysfs
from watcher.readers.kernel_lines.story import Story
from watcher.readers.kernel_log import SOURCE as KERNEL_LOG
from watcher.readers.kernel_log import Batch, Position
from watcher.readers.kernel_raw import LogFile, Records
from watcher.readers.kernel_source import Choice, KernelLog
from watcher.readers.pools import declared as declared_pools
from watcher.readers.pools.declared import DeclaredPool, DrivesSeen
from watcher.readers.pools.registry import read_pools
from watcher.readers.pools.shape import Blocks, PoolsRead, UnseenBlocks, blindness_of, together
from watcher.readers.smartctl import LIMIT_SECONDS
from watcher.readers.taken import Taken

BLOCK_DEVICES = "block-devices"

_POOL_SIGNATURES = frozenset({"linux_raid_member", "btrfs", "zfs_member", "LVM2_member"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Looking:
    """How to look at a box; built from the settings."""

    box: BoxId
    told: tuple[ToldDrive, ...] = ()  # what the owner says of drives
    declared: tuple[DeclaredPool, ...] = ()
    irreplaceable: tuple[ThingAsked, ...] = ()
    limit_seconds: float = LIMIT_SECONDS  # for one drive
    wake: bool = False  # also ask drives that sleep
    kernel_log: Choice = "auto"  # where the kernel log is read from
    kernel_log_file: str = "/var/log/kern.log"


class Surveyor:
    """Looks at one host again and again; remembers what makes the next look better.

    It remembers the pools of the last look (some states show only by comparison), the identities
    that drives themselves put right, and what the kernel log said last.
    """

    def __init__(
        self,
        host: Host,
        looking: Looking,
        *,
        ring: Callable[[], Records] | None = None,
        file: Callable[[str], LogFile] | None = None,
    ) -> None:
        """Begin with nothing remembered.

        ``ring`` and ``file`` open the kernel's ring and a log file of this machine; without them
        (a recorded box) only the journal can be read.
        """
        self.host = host
        self.looking = looking
        self._log = KernelLog(
            looking.kernel_log, ring=ring, file=file, path=looking.kernel_log_file
        )
        self._aliases: dict[DriveId, DriveId] = {}
        self._pools: tuple[Pool, ...] = ()
        self._story = Story()
        self._backups: BackupsSeen | None = None  # kept between the deep looks
        self._asked: tuple[ThingAsked, ...] = ()  # what they were asked for

    def remember(self, pools: Iterable[Pool]) -> None:
        """Take over the pools of a look made before this run."""
        self._pools = tuple(pools)

    def take(
        self,
        survey: str,
        now: datetime,
        *,
        position: Position | None = None,
        deep: bool = False,
    ) -> Taken:
        """Look at everything once. ``survey`` is the id of the look, unique for ever."""
        answered: list[str] = []
        blind: list[Blindness] = []
        blocks = self._blocks(answered, blind)
        readings, unread = self._drives(blocks, now, answered, blind, deep=deep)
        if blocks is not None:
            self._aliases |= learn_ids(readings, blocks)
            blocks = blocks.with_aliases(self._aliases)
        pools = self._look_at_pools(blocks, now, readings, unread, deep=deep)
        self._pools = pools.pools
        doubts: list[str] = []
        events, batch = self._events(blocks, pools.pools, now, position, blind, doubts)
        if batch is not None:
            answered.append(KERNEL_LOG)
        return Taken(
            survey=Survey(
                survey=survey,
                box=self.looking.box,
                taken_at=now,
                drives=readings,
                unread=unread,
                pools=pools.pools,
                events=events,
                blind=(*blind, *pools.blind),
                answered=(*answered, *pools.answered),
                doubts=tuple(doubts),
                backups=self._copies(now, deep=deep),
            ),
            position=batch.position if batch is not None else position,
            more_log=batch is not None and batch.more,
        )

    def _copies(self, now: datetime, *, deep: bool) -> BackupsSeen | None:
        """Look at what cannot be got again, on deep looks; in between what was seen then."""
        asked = self.looking.irreplaceable
        if deep or self._backups is None or asked != self._asked:
            self._asked, self._backups = asked, read_things(self.host, asked, now)
        return self._backups

    def _blocks(self, answered: list[str], blind: list[Blindness]) -> BlockMap | None:
        """Map the block devices, or note why that cannot be done."""
        try:
            blocks = read_blocks(self.host).with_aliases(self._aliases)
        except ReadError as error:
            blind.append(blindness_of(BLOCK_DEVICES, error))
            return None
        answered.append(BLOCK_DEVICES)
        return blocks

    def _drives(
        self,
        blocks: BlockMap | None,
        now: datetime,
        answered: list[str],
        blind: list[Blindness],
        *,
        deep: bool,
    ) -> tuple[tuple[DriveReading, ...], tuple[DriveUnread, ...]]:
        """Find and ask all drives."""
        found = discover(
            self.host,
            blocks=blocks,
            told=self.looking.told,
            bays=bay_names(read_bays(self.host)),
            also=loops_below_pools(blocks) if blocks is not None else (),
        )
        blind.extend(found.blind)
        if not found.blind:
            answered.append(DISCOVERY)
        return read_all(
            self.host,
            found.targets,
            observed_at=now,
            limit_seconds=self.looking.limit_seconds,
            deep=deep,
            wake=self.looking.wake,
        )

    def _look_at_pools(
        self,
        blocks: BlockMap | None,
        now: datetime,
        readings: tuple[DriveReading, ...],
        unread: tuple[DriveUnread, ...],
        *,
        deep: bool,
    ) -> PoolsRead:
        """Look at pools of every kind; without block devices members cannot be traced."""
        seen: Blocks = blocks if blocks is not None else UnseenBlocks()
        reads = [
            read_pools(
                self.host,
                seen,
                observed_at=now,
                previous=self._pools,
                wake=self.looking.wake or deep,
            )
        ]
        if self.looking.declared:
            answers = {r.identity.drive for r in readings}
            silent = {
                u.drive for u in unread if u.drive is not None and u.why is not Unread.VANISHED
            }
            reads.append(
                declared_pools.read(
                    self.host,
                    seen,
                    observed_at=now,
                    declared=self.looking.declared,
                    drives=DrivesSeen(
                        present=frozenset(answers | silent),
                        unseen=frozenset(silent),
                        failing=frozenset(
                            r.identity.drive for r in readings if r.verdict is Verdict.FAILING
                        ),
                        serials=tuple(serials_of(readings, unread).items()),
                    ),
                )
            )
        return together(reads)

    def _events(
        self,
        blocks: BlockMap | None,
        pools: tuple[Pool, ...],
        now: datetime,
        position: Position | None,
        blind: list[Blindness],
        doubts: list[str],
    ) -> tuple[tuple[KernelEvent, ...], Batch | None]:
        """Read what the kernel said since the last look, and whom it meant."""
        if self._log.is_off:
            return (), None
        try:
            batch = self._log.read(self.host, position, now)
        except ReadError as error:
            blind.append(blindness_of(KERNEL_LOG, error))
            return (), None
        names = names_of(self.host, blocks, pools)
        folded = fold(self._story.read(batch.lines, names.fixed), names, now)
        doubts.extend(batch.doubts)
        if batch.lost:
            doubts.append(f"{say_count(batch.lost, 'kernel line')} came and went unread.")
        if batch.unreadable:
            doubts.append(f"{say_count(batch.unreadable, 'kernel line')} could not be read.")
        if folded.note:
            doubts.append(folded.note)
        return folded.events, batch


def loops_below_pools(blocks: BlockMap) -> tuple[str, ...]:
    """Name the loop devices that carry a pool: they count as drives, all others do not."""
    return tuple(
        block.kname
        for block in blocks.blocks
        if block.kind == "loop" and block.filesystem in _POOL_SIGNATURES
    )


def serials_of(
    readings: Iterable[DriveReading], unread: Iterable[DriveUnread]
) -> Mapping[str, DriveId]:
    """Give the drive of each serial number that was seen."""
    known = {u.serial: u.drive for u in unread if u.serial and u.drive is not None}
    return known | {r.identity.serial: r.identity.drive for r in readings if r.identity.serial}


def names_of(host: Host, blocks: BlockMap | None, pools: tuple[Pool, ...]) -> Names:
    """Say which drive or pool each kernel name stands for now."""
    subjects: dict[str, Subject] = {}
    if blocks is not None:
        for block in blocks.disks():
            drive = blocks.drive_of_disk(block.kname)
            if drive is not None:
                subjects[block.kname] = about_drive(drive)
    for pool in pools:
        for member in pool.members:  # the kernel speaks of LVM's images as dm-N
            name = (member.node or "").removeprefix("/dev/")
            if name.startswith("dm-"):
                subjects[name] = about_pool(pool.pool)
        if pool.node is not None and pool.node.startswith("/dev/"):
            subjects[pool.node.removeprefix("/dev/")] = about_pool(pool.pool)
    members = frozenset(about_drive(drive) for pool in pools for drive in pool.drives)
    return names_from_sysfs(host, subjects, members=members)
