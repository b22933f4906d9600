"""File-level parity: disks that are readable on their own, and parity of a moment in the past.

Program: snapraid 11 and 12 (run: the one of Debian 12), with its configuration:

    /etc/snapraid.conf (or /usr/local/etc/snapraid.conf)
    snapraid status
    snapraid diff          only when asked for: it walks all disks, and wakes those that sleep

and /proc/self/mounts. Exit statuses (seen): ``status`` gives 0 with a disk lost, ``diff`` 2 when
there are differences. A command that finds another one running says that it is in use.

What is at stake is the member: each disk stands on its own, so a loss beyond the margin costs what
sat on the disks that died.

How changes since the last sync count. A new file is on one disk only: if that disk goes, so does
the file. A file that was changed or removed costs more than itself: parity was computed with the
old content, so the blocks of the *other* disks in the same rows cannot be computed from it any
more. So with new content the next loss may cost data however many parities there are, and with
nothing but removed content one loss less is borne than the parities and the disks that are there
would bear. So it is with blocks that a scrub found to differ from their checksum, too: parity can
restore them, as long as not too much else is lost.

Traps: a data disk that is not mounted leaves an empty folder, which looks like a disk whose files
were all removed; a sync would then make that true. ``status`` says nothing of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TypeVar

from watcher.facts.drive import Unread
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.margin import judge_pool, protection_of, relied_margin
from watcher.facts.pool import (
    AtStake,
    Member,
    MemberState,
    Noted,
    Pool,
    PoolKind,
    Protection,
    Remark,
    Role,
    Work,
    WorkKind,
    WorkState,
)
from watcher.facts.survey import Blindness
from watcher.facts.units import say_count
from watcher.readers.errors import CannotParse, CannotRead, ReadError
from watcher.readers.host import AS_ROOT, Host, require_exited
from watcher.readers.pools.btrfs_work import unescaped
from watcher.readers.pools.file_parity_parse import (
    IN_USE,
    Changes,
    Layout,
    Report,
    parse_changes,
    parse_layout,
    parse_report,
)
from watcher.readers.pools.shape import (
    Blocks,
    PoolsRead,
    bare_name,
    blindness_of,
    cannot_open,
    parity,
)

SOURCE = "file-parity"
CONFIGURATIONS = ("/etc/snapraid.conf", "/usr/local/etc/snapraid.conf")
STATUS = ("snapraid", "status")
DIFF = ("snapraid", "diff")
MOUNTS = "/proc/self/mounts"
LIMIT_SECONDS = 300.0  # our choice: status loads a list of all files, diff walks all disks
REMEDY = "install snapraid and run midwatch as root"

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What was learned of one array; None: not seen, or not asked for."""

    report: Report | None = None
    changes: Changes | None = None
    asked_changes: bool = True
    in_use: bool = False  # another command of the program is at work
    carried: tuple[Noted, ...] = ()  # what the last look for changes found, when this had none


def read(
    host: Host,
    blocks: Blocks,
    *,
    observed_at: datetime,
    look_for_changes: bool = True,
    previous: Iterable[Pool] = (),
) -> PoolsRead:
    """Read the array that the configuration describes; none when there is no configuration.

    Without ``look_for_changes`` no drive is woken, and what the last look found unsynced (in
    ``previous``) holds until the next one.
    """
    found = _configuration(host)
    if found is None:
        return PoolsRead(answered=(SOURCE,))
    path, layout = found
    pool = PoolId(f"{SOURCE}:{path}")
    blind: list[Blindness] = []
    mounts = _mounts(host)
    report, busy = _ask(host, STATUS, parse_report, blind, pool)
    changes: Changes | None = None
    if look_for_changes and not busy and report is not None:
        changes, busy = _ask(host, DIFF, parse_changes, blind, pool)
    if report is not None and set(report.names) != {name for name, _ in layout.data}:
        wrong = CannotParse("snapraid status", f"it tells of the disks {', '.join(report.names)}")
        blind.append(blindness_of(SOURCE, wrong, pool=pool))
        report = None
    seen = Seen(
        report=report,
        changes=changes,
        asked_changes=look_for_changes,
        in_use=busy,
        carried=() if look_for_changes else _carried(pool, previous),
    )
    members = _members(layout, seen, mounts, host, blocks)
    return PoolsRead(
        pools=(judge(pool, layout, seen, members, observed_at=observed_at),),
        blind=tuple(blind),
        answered=() if blind else (SOURCE,),
    )


def _carried(pool: PoolId, previous: Iterable[Pool]) -> tuple[Noted, ...]:
    """Give what the last look at a pool found unsynced."""
    notes = [note for one in previous if one.pool == pool for note in one.notes]
    return tuple(note for note in notes if note.remark is Remark.UNSYNCED)


def _configuration(host: Host) -> tuple[str, Layout] | None:
    for path in CONFIGURATIONS:
        try:
            return path, parse_layout(host.read_text(path))
        except FileNotFoundError:
            continue
        except OSError as error:
            raise cannot_open(SOURCE, path, error) from error
    return None


def _ask(
    host: Host,
    argv: tuple[str, ...],
    parse: Callable[[str], _T],
    blind: list[Blindness],
    pool: PoolId,
) -> tuple[_T | None, bool]:
    """Run one command; gives its answer, and whether another command is at work."""
    try:
        ran = require_exited(
            SOURCE, host.run(argv, limit_seconds=LIMIT_SECONDS, lane=SOURCE), remedy=REMEDY
        )
        if IN_USE.search(ran.stderr) or IN_USE.search(ran.stdout):
            return None, True
        if "ermission denied" in ran.stderr:
            raise CannotRead(
                SOURCE, Unread.FORBIDDEN, "snapraid may not read its files", remedy=AS_ROOT
            )
        return parse(f"{ran.stdout}\n{ran.stderr}"), False
    except ReadError as error:
        blind.append(blindness_of(SOURCE, error, pool=pool))
        return None, False


Mounts = tuple[tuple[str, str], ...]
"""Source and mount point, in the order they were mounted."""


def _mounts(host: Host) -> Mounts | None:
    """Give what is mounted; None when that cannot be read."""
    try:
        text = host.read_text(MOUNTS)
    except OSError:
        return None
    found = []
    for line in text.splitlines():
        words = line.split(" ")
        if len(words) >= 2:
            found.append((unescaped(words[0]), unescaped(words[1])))
    return tuple(found)


def _mount_below(path: str, mounts: Mounts) -> tuple[str, str] | None:
    """Give the mount that a path lies on: the longest one, the last of equals."""
    best: tuple[str, str] | None = None
    for source, target in mounts:
        inside = path == target or path.startswith(target.rstrip("/") + "/")
        if inside and (best is None or len(target) >= len(best[1])):
            best = (source, target)
    return best


def _members(
    layout: Layout, seen: Seen, mounts: Mounts | None, host: Host, blocks: Blocks
) -> tuple[Member, ...]:
    """Make the members: each data disk, and each level of parity."""
    folders = [folder for _, folder in layout.data]
    if mounts is not None and all(_on_root(folder, mounts) for folder in folders):
        mounts = None  # no disk is mounted anywhere of its own: the mounts tell nothing
    members = []
    for name, folder in layout.data:
        state, drives, node = _where((folder,), mounts, host, blocks)
        said = folder
        if seen.changes is not None and name in seen.changes.emptied:
            state, said = MemberState.MISSING, f"{folder}: all its files are gone"
        members.append(Member(name=name, state=state, drives=drives, node=node, said=said))
    for level, files in layout.parity:
        state, drives, node = _where(files, mounts, host, blocks)
        empty = seen.report is not None and seen.report.empty
        if mounts is not None and not empty and not all(host.exists(file) for file in files):
            state = MemberState.MISSING
        members.append(
            Member(
                name="parity" if level == 1 else f"{level}-parity",
                state=state,
                role=Role.PARITY,
                drives=drives,
                node=node,
                said=", ".join(files),
            )
        )
    return tuple(members)


def _on_root(path: str, mounts: Mounts) -> bool:
    mount = _mount_below(path, mounts)
    return mount is None or (mount[1] == "/" and path != "/")


def _where(
    paths: Iterable[str], mounts: Mounts | None, host: Host, blocks: Blocks
) -> tuple[MemberState, tuple[DriveId, ...], str | None]:
    """Tell whether the disks below some paths are there, and which drives they are."""
    if mounts is None:
        return MemberState.GOOD, (), None
    drives: set[DriveId] = set()
    node: str | None = None
    for path in paths:
        mount = _mount_below(path, mounts)
        if mount is None or _on_root(path, mounts):
            return MemberState.MISSING, tuple(sorted(drives)), None
        if mount[0].startswith("/dev/"):
            name = bare_name(host.real_path(mount[0]))
            if not blocks.exists(name):
                return MemberState.MISSING, tuple(sorted(drives)), None
            drives.update(blocks.drives_below(name))
            node = node or f"/dev/{name}"
    return MemberState.GOOD, tuple(sorted(drives)), node


def judge(
    pool: PoolId,
    layout: Layout,
    seen: Seen,
    members: tuple[Member, ...],
    *,
    observed_at: datetime,
) -> Pool:
    """Give the pool that a configuration and its state mean; pure."""
    levels = len(layout.parity)
    tree = parity(f"{levels} parity" if levels == 1 else f"{levels} parities", levels, members)
    notes = _notes(seen, levels)
    behind = any(note.remark in {Remark.UNSYNCED, Remark.DAMAGED_DATA} for note in notes)
    return judge_pool(
        pool=pool,
        name="snapraid",
        kind=PoolKind.FILE_PARITY,
        layout=f"{say_count(len(layout.data), 'data disk')} + {levels} parity",
        observed_at=observed_at,
        tree=tree,
        at_stake=AtStake.MEMBER,
        work=_work(seen),
        notes=notes,
        most=relied_margin(tree, (), 1) if behind else None,
        said="in use" if seen.in_use else "",
        scrubbed_at=_scrubbed_at(seen.report, observed_at),
    )


def _notes(seen: Seen, levels: int) -> tuple[Noted, ...]:
    """Tell what parity does not cover, what is bad, and what was not seen."""
    notes: list[Noted] = []
    one_less = protection_of(levels - 1, levels)
    report, changes = seen.report, seen.changes
    if report is None:
        text = "Its state could not be read"
        if seen.in_use:
            text = "A snapraid command is running; its state can be read when that has ended"
        notes.append(Noted(remark=Remark.FEW_CHECKS, text=text, at_most=Protection.UNKNOWN))
        return tuple(notes)
    if report.empty:
        notes.append(
            Noted(
                remark=Remark.UNSYNCED,
                text="Nothing was ever synced: parity protects nothing yet. Run: snapraid sync",
                amount=changes.total if changes else None,
                at_most=Protection.BARE,
            )
        )
    elif changes is not None and changes.total:
        notes.append(_unsynced(changes, one_less))
    if report.sync_percent is not None:
        notes.append(
            Noted(
                remark=Remark.UNSYNCED,
                text=f"A sync was begun and stopped at {report.sync_percent}%: finish it with "
                "snapraid sync",
                at_most=one_less,
            )
        )
    if report.bad_blocks:
        notes.append(
            Noted(
                remark=Remark.DAMAGED_DATA,
                text=f"A scrub found {say_count(report.bad_blocks, 'bad block')}. Parity can "
                "restore them while no disk is lost: snapraid -e fix, then "
                "snapraid -p bad scrub",
                amount=report.bad_blocks,
                at_most=one_less,
            )
        )
    if not any(note.remark is Remark.UNSYNCED for note in notes):
        notes.extend(seen.carried)
    if seen.asked_changes and changes is None:
        notes.append(
            Noted(
                remark=Remark.FEW_CHECKS,
                text="What changed since the last sync could not be looked for",
                at_most=Protection.UNKNOWN,
            )
        )
    return tuple(notes)


def _unsynced(changes: Changes, one_less: Protection) -> Noted:
    """Tell how much changed since the last sync."""
    parts = [
        say_count(count, f"{word} file")
        for count, word in (
            (changes.added, "new"),
            (changes.updated, "changed"),
            (changes.removed, "removed"),
            (changes.moved, "moved"),
            (changes.copied, "copied"),
            (changes.restored, "restored"),
        )
        if count
    ]
    text = f"Since the last sync: {', '.join(parts)}. Parity does not cover that"
    if changes.added or changes.updated or changes.copied:
        one_less = Protection.BARE  # what is new stands on one disk alone
    if changes.emptied:
        gone = ", ".join(changes.emptied)
        text += f". All files of {gone} are gone: do not sync before its disk is back"
    return Noted(remark=Remark.UNSYNCED, text=text, amount=changes.total, at_most=one_less)


def _work(seen: Seen) -> Work | None:
    """Give the work that was begun; a command that runs just now is not told by its kind."""
    if seen.in_use:
        return Work(kind=WorkKind.SYNC)
    if seen.report is not None and seen.report.sync_percent is not None:
        return Work(
            kind=WorkKind.SYNC,
            state=WorkState.PAUSED,
            done_fraction=seen.report.sync_percent / 100,
        )
    return None


def _scrubbed_at(report: Report | None, observed_at: datetime) -> datetime | None:
    """Give when every block had been looked at, to the day; None when some never were."""
    if report is None or report.unscrubbed_percent or report.oldest_days is None:
        return None
    try:
        return observed_at - timedelta(days=report.oldest_days)
    except OverflowError:
        return None
