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
from typing import Protocol

from watcher.facts.drive import DriveReading, DriveUnread, Unread, Verdict
from watcher.facts.identity import BoxId, DriveId, Subject, about_drive, about_pool
from watcher.facts.kernel_event import KernelEvent
from watcher.facts.pool import Pool
from watcher.facts.readiness import BackupsSeen
from watcher.facts.survey import Blindness, Survey
from watcher.facts.units import say_count
from watcher.readers.block_counters import BlockCounters
from watcher.readers.block_map import BlockMap
from watcher.readers.blocks import read_blocks
from watcher.readers.copies import ThingAsked, read_things
from watcher.readers.discovery import SOURCE as DISCOVERY
from watcher.readers.discovery import ToldDrive, discover
from watcher.readers.drives import Answers, Silence, learn_ids, read_all
from watcher.readers.enclosure import bay_names, read_bays
from watcher.readers.errors import ReadError
from watcher.readers.host import Abandons, Host
from watcher.readers.kernel_fold import Names, fold, names_from_sysfs
from watcher.readers.kernel_lines.story import Story
from watcher.readers.kernel_log import SOURCE as KERNEL_LOG
from watcher.readers.kernel_log import Batch, Position
from watcher.readers.kernel_raw import LogFile, Records
from watcher.readers.kernel_source import Choice, KernelLog
from watcher.readers.kernel_wait import add_waits
from watcher.readers.pools import declared as declared_pools
from watcher.readers.pools.declared import DeclaredPool, DrivesSeen
from watcher.readers.pools.registry import read_pools
from watcher.readers.pools.shape import Blocks, PoolsRead, UnseenBlocks, blindness_of, together
from watcher.readers.slow_pages import SlowPages
from watcher.readers.smartctl import LIMIT_SECONDS
from watcher.readers.taken import Taken
from watcher.readers.twins import twins_in

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


class Patience(Protocol):
    """One who waits for the drives: a person at a terminal."""

    @property
    def early_seconds(self) -> float:
        """After so long of silence what all others said is shown."""

    def early(self, taken: Taken) -> None:
        """Show what is known, once, while some drives have not answered for a while."""

    def goes_on(self, silence: Silence) -> bool:
        """Tell, again and again, whether to wait on for the silent ones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """What came of the kernel log."""

    events: tuple[KernelEvent, ...] = ()
    batch: Batch | None = None
    blind: tuple[Blindness, ...] = ()
    doubts: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class _Look:
    """One look while it is under way."""

    survey: str
    now: datetime
    position: Position | None
    deep: bool
    blocks: BlockMap | None
    answered: list[str]
    blind: list[Blindness]
    heard: _Heard | None = None


class Surveyor:
    """Looks at one host again and again; remembers what makes the next look better.

    It remembers the pools of the last look (some states show only by comparison), the identities
    that drives themselves put right, what the kernel log said last, what it counted of disks, and
    what drives told on pages that are not asked for at each look.
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
        self._twins: frozenset[DriveId] = frozenset()  # ids that several drives tell
        self._pools: tuple[Pool, ...] = ()
        self._story = Story()
        self._counters = BlockCounters()
        self._slow_pages = SlowPages()
        self._backups: BackupsSeen | None = None  # kept between the deep looks
        self._asked: tuple[ThingAsked, ...] = ()  # what they were asked for

    def remember(self, pools: Iterable[Pool]) -> None:
        """Take over the pools of a look made before this run."""
        self._pools = tuple(pools)
        self._twins |= twins_in(drive for pool in self._pools for drive in pool.drives)

    def take(
        self,
        survey: str,
        now: datetime,
        *,
        position: Position | None = None,
        deep: bool = False,
        patience: Patience | None = None,
    ) -> Taken:
        """Look at everything once. ``survey`` is the id of the look, unique for ever."""
        answered: list[str] = []
        blind: list[Blindness] = []
        look = _Look(
            survey=survey,
            now=now,
            position=position,
            deep=deep,
            blocks=self._blocks(answered, blind),
            answered=answered,
            blind=blind,
        )
        goes_on = None if patience is None else self._shows_early(look, patience)
        readings, unread = self._drives(look, goes_on)
        readings = self._slow_pages.complete(readings, unread)
        readings = self._counters.add(self.host, readings, now, look.blocks)
        readings = add_waits(self.host, readings, look.blocks)
        taken = self._put_together(look, readings, unread)
        self._pools = taken.survey.pools
        return taken

    def _shows_early(self, look: _Look, patience: Patience) -> Callable[[Silence], bool]:
        """Wait as the one who waits likes, and show once what all the others said."""
        shown = False

        def goes_on(silence: Silence) -> bool:
            nonlocal shown
            if not shown and silence.waited_seconds >= patience.early_seconds:
                shown = True
                patience.early(self._put_together(look, *silence.so_far()))
            return patience.goes_on(silence)

        return goes_on

    def _put_together(
        self, look: _Look, readings: tuple[DriveReading, ...], unread: tuple[DriveUnread, ...]
    ) -> Taken:
        """Look at the rest in the light of what the drives said."""
        blocks = look.blocks
        if blocks is not None:
            self._aliases |= learn_ids(readings, blocks)
            blocks = blocks.with_aliases(self._aliases)
        pools = self._look_at_pools(blocks, look.now, readings, unread, deep=look.deep)
        if look.heard is None:  # the kernel log can be read on from a place only once
            look.heard = self._events(blocks, pools.pools, look.now, look.position)
        heard = look.heard
        batch = heard.batch
        log = (KERNEL_LOG,) if batch is not None else ()
        return Taken(
            survey=Survey(
                survey=look.survey,
                box=self.looking.box,
                taken_at=look.now,
                drives=readings,
                unread=unread,
                pools=pools.pools,
                events=heard.events,
                blind=(*look.blind, *heard.blind, *pools.blind),
                answered=(*look.answered, *log, *pools.answered),
                doubts=heard.doubts,
                backups=self._copies(look.now, deep=look.deep),
            ),
            position=batch.position if batch is not None else look.position,
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
            blocks = read_blocks(self.host).with_twins(self._twins).with_aliases(self._aliases)
        except ReadError as error:
            blind.append(blindness_of(BLOCK_DEVICES, error))
            return None
        self._twins = blocks.shared
        answered.append(BLOCK_DEVICES)
        return blocks

    def _drives(self, look: _Look, goes_on: Callable[[Silence], bool] | None) -> Answers:
        """Find and ask all drives."""
        found = discover(
            self.host,
            blocks=look.blocks,
            told=self.looking.told,
            bays=bay_names(read_bays(self.host)),
            also=loops_below_pools(look.blocks) if look.blocks is not None else (),
        )
        look.blind.extend(found.blind)
        if not found.blind:
            look.answered.append(DISCOVERY)
        try:
            return read_all(
                self.host,
                found.targets,
                observed_at=look.now,
                limit_seconds=self.looking.limit_seconds,
                slow_pages=self._slow_pages.to_ask(found.targets, deep=look.deep),
                wake=self.looking.wake,
                goes_on=goes_on,
            )
        finally:
            if goes_on is not None and isinstance(self.host, Abandons):
                self.host.abandon()  # nobody waits for those that were not waited for

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
    ) -> _Heard:
        """Read what the kernel said since the last look, and whom it meant."""
        if self._log.is_off:
            return _Heard()
        try:
            batch = self._log.read(self.host, position, now)
        except ReadError as error:
            return _Heard(blind=(blindness_of(KERNEL_LOG, error),))
        names = names_of(self.host, blocks, pools)
        folded = fold(self._story.read(batch.lines, names.fixed, names.ports), names, now)
        doubts = list(batch.doubts)
        if batch.lost:
            doubts.append(f"{say_count(batch.lost, 'kernel line')} came and went unread.")
        if batch.unreadable:
            doubts.append(f"{say_count(batch.unreadable, 'kernel line')} could not be read.")
        if folded.note:
            doubts.append(folded.note)
        return _Heard(events=folded.events, batch=batch, doubts=tuple(doubts))


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
    for name, subject in _above_pools(blocks, pools).items():
        subjects.setdefault(name, subject)
    members = frozenset(about_drive(drive) for pool in pools for drive in pool.drives)
    names = names_from_sysfs(host, subjects, members=members)
    return names.called_too(blocks.links) if blocks is not None else names


def _above_pools(blocks: BlockMap | None, pools: tuple[Pool, ...]) -> Mapping[str, Subject]:
    """Name what stands on a pool, such as a locked device or a volume on an array: it is its."""
    if blocks is None:
        return {}
    found: dict[str, Subject] = {}
    for pool in pools:
        base = blocks.block(pool.node) if pool.node is not None else None
        for block in blocks.above(base.kname) if base is not None else ():
            found.setdefault(block.kname, about_pool(pool.pool))
    return found
