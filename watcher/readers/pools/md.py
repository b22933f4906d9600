"""Linux software arrays (md): ``/proc/mdstat``, sysfs, and mdadm for what those lack.

Sources, in the order they are asked: ``/proc/mdstat`` (see md_stat.py), ``/sys/block/mdX/md``
(md_sysfs.py), ``/dev/disk/by-id/md-uuid-*``, the signatures in the block map, and mdadm
(md_detail.py, only where the UUID is not known otherwise or where the age of the array tells a
first build from a rebuild). No program and no right is needed but for mdadm.

No ``/proc/mdstat`` and no member in the block map mean that there is nothing: a full answer.
Firmware containers are no pools; the arrays in them are. Arrays that do not run: md_stopped.py.

Traps: see the modules named, and the cross-checks in md_notes.py.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta

from watcher.facts.identity import PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import Noted, Pool, PoolKind, Remark
from watcher.facts.survey import Blindness
from watcher.readers.errors import CannotParse, ReadError
from watcher.readers.host import Host
from watcher.readers.pools.md_detail import read_age, read_export
from watcher.readers.pools.md_members import Seats, seat
from watcher.readers.pools.md_notes import Case, notes_of
from watcher.readers.pools.md_stat import PATH, Listing, parse_mdstat
from watcher.readers.pools.md_stopped import Carrier, stopped
from watcher.readers.pools.md_sysfs import ArrayTold, read_array, usual_uuid
from watcher.readers.pools.md_tree import Copies, copies_of_layout, tree_of
from watcher.readers.pools.md_work import could_be_first, work_of
from watcher.readers.pools.shape import Blocks, PoolsRead, blindness_of, cannot_open

SOURCE = "md"
BY_ID = "/dev/disk/by-id"


def build(  # noqa: PLR0913 - an array has this many sources
    listing: Listing,
    told: ArrayTold | None,
    blocks: Blocks,
    *,
    pool: PoolId,
    label: str | None = None,
    age: timedelta | None = None,
    observed_at: datetime,
    previous: Pool | None = None,
    notes: tuple[Noted, ...] = (),
) -> Pool:
    """Make the pool out of what was read of one array. Pure."""
    level = listing.level or (told.level if told else None) or _level_before(previous)
    seats = seat(listing, told, blocks, previous)
    work = work_of(listing, told, seats, age=age, previous=previous)
    copies = Copies(near=listing.near, far=listing.far)
    if level == "raid10" and told is not None and told.layout:
        copies = copies_of_layout(told.layout)
    case = Case(listing=listing, told=told, level=level, seats=seats, work=work, previous=previous)
    state = f", array_state {told.array_state}" if told and told.array_state else ""
    return judge_pool(
        pool=pool,
        name=owners_name(label) or listing.name,
        kind=PoolKind.MD,
        layout=level,
        observed_at=observed_at,
        tree=tree_of(level, seats.slots, copies),
        others=seats.others,
        work=work,
        notes=(*notes_of(case), *notes),
        said=f"{f'{label}: ' if label else ''}{listing.said}{state}",
        capacity_bytes=None if listing.size_kib is None else listing.size_kib * 1024,
        node=f"/dev/{listing.name}",
    )


_OWN_NAME = re.compile(r"[^\W\d][\w.+ -]{0,60}")


def owners_name(label: str | None) -> str | None:
    """Give the name that the owner gave an array: the part of its label after the machine's name.

    None when there is none, or when it is only a number, which says no more than the node does.
    """
    tail = (label or "").rpartition(":")[2].strip()
    return tail if _OWN_NAME.fullmatch(tail) else None


def _level_before(previous: Pool | None) -> str:
    """Give the level an inactive array had when it was last seen running."""
    return previous.layout if previous else "unknown"


def read(
    host: Host,
    blocks: Blocks,
    *,
    observed_at: datetime,
    previous: Iterable[Pool] = (),
    carriers: Iterable[Carrier] | None = None,
) -> PoolsRead:
    """Look at all arrays; raises ``ReadError`` when not even the summary can be read.

    ``carriers`` are the block devices that hold an md signature, None when that is not known.
    """
    members = None if carriers is None else tuple(carriers)
    try:
        text = host.read_text(PATH)
    except FileNotFoundError as error:
        if members == () and not _unlisted(host, ()):
            return PoolsRead(answered=(SOURCE,))
        raise cannot_open(SOURCE, PATH, error) from error
    except OSError as error:
        raise cannot_open(SOURCE, PATH, error) from error
    listings = [listing for listing in parse_mdstat(text) if not listing.is_container]
    before = tuple(pool for pool in previous if pool.kind is PoolKind.MD)
    uuids = _uuids_of_members(listings, members or ()) | _uuids_by_link(host)
    pools: list[Pool] = []
    blind: list[Blindness] = list(_unlisted(host, parse_mdstat(text)))
    for listing in listings:
        pool, spots = _read_one(host, blocks, listing, uuids, before, observed_at)
        pools.append(pool)
        blind.extend(spots)
    running = frozenset(pool.pool for pool in pools)
    seated = {member.name for listing in listings for member in listing.members}
    idle = [carrier for carrier in members or () if carrier.name not in seated]
    pools.extend(stopped(idle, running, blocks, observed_at=observed_at, previous=before))
    return PoolsRead(pools=tuple(pools), blind=tuple(blind), answered=() if blind else (SOURCE,))


def _read_one(
    host: Host,
    blocks: Blocks,
    listing: Listing,
    uuids: dict[str, str],
    before: tuple[Pool, ...],
    observed_at: datetime,
) -> tuple[Pool, list[Blindness]]:
    told: ArrayTold | None = None
    trouble: ReadError | None = None
    try:
        told = read_array(host, listing.name)
    except ReadError as error:
        trouble = error
    pool, label, notes = _identify(host, listing, told, uuids, before)
    label = label or dict(_by_link(host, "md-name-")).get(listing.name)
    last = next((p for p in before if p.pool == pool), None)
    age = _age(host, listing, told, seat(listing, told, blocks, last))
    made = build(
        listing,
        told,
        blocks,
        pool=pool,
        label=label,
        age=age,
        observed_at=observed_at,
        previous=last,
        notes=notes,
    )
    return made, [] if trouble is None else [blindness_of(SOURCE, trouble, pool=pool)]


def _identify(
    host: Host,
    listing: Listing,
    told: ArrayTold | None,
    uuids: dict[str, str],
    before: tuple[Pool, ...],
) -> tuple[PoolId, str | None, tuple[Noted, ...]]:
    """Find the array's lasting identity; its device name is the last resort."""
    uuid = (told.uuid if told else None) or uuids.get(listing.name)
    label: str | None = None
    if uuid is None:
        try:
            uuid, label = read_export(host, listing.name)
        except ReadError:
            uuid = None  # said below: an id of the name is no lasting one
    if uuid is not None:
        return PoolId(f"md:{uuid}"), label, ()
    node = f"/dev/{listing.name}"
    names = {member.name for member in listing.members}
    for pool in before:
        if pool.node == node and names & {member.name for member in pool.members}:
            return pool.pool, None, ()
    note = Noted(
        remark=Remark.FEW_CHECKS,
        text=f"The array's own identity could not be read; it goes by the name {listing.name}, "
        "which may change at the next start.",
    )
    return PoolId(f"md:{listing.name}"), None, (note,)


def _age(host: Host, listing: Listing, told: ArrayTold | None, seats: Seats) -> timedelta | None:
    """Ask for the array's age where that decides something; None when it cannot be told."""
    if not could_be_first(listing, told, seats):
        return None
    try:
        return read_age(host, listing.name)
    except ReadError:
        return None  # then it is taken for a rebuild, the graver of the two


def _uuids_of_members(listings: Iterable[Listing], carriers: tuple[Carrier, ...]) -> dict[str, str]:
    """Give the UUID of each array by its kernel name, where its members' signatures agree."""
    told = {carrier.name: usual_uuid(carrier.uuid) for carrier in carriers}
    found: dict[str, str] = {}
    for listing in listings:
        uuids = {told[member.name] for member in listing.members if member.name in told}
        uuid = uuids.pop() if len(uuids) == 1 else None
        if uuid is not None:
            found[listing.name] = uuid
    return found


def _uuids_by_link(host: Host) -> dict[str, str]:
    """Give the UUID of each array by its kernel name."""
    told = ((node, usual_uuid(rest)) for node, rest in _by_link(host, "md-uuid-"))
    return {node: uuid for node, uuid in told if uuid is not None}


def _by_link(host: Host, start: str) -> Iterator[tuple[str, str]]:
    """Walk udev's links that begin so: the kernel name of an array, and how the link goes on."""
    try:
        names = host.list_dir(BY_ID)
    except OSError:
        return  # no udev: an array goes by its kernel name, and other ways to a UUID are tried
    for name in names:
        if name.startswith(start):
            node = host.real_path(f"{BY_ID}/{name}").removeprefix("/dev/")
            yield node, name.removeprefix(start)


def _unlisted(host: Host, listings: tuple[Listing, ...]) -> list[Blindness]:
    """Find arrays that sysfs has and the summary does not: then the summary is not whole."""
    try:
        names = host.list_dir("/sys/block")
    except OSError:
        return []  # no sysfs: told array by array
    known = {listing.name for listing in listings}
    spots: list[Blindness] = []
    for name in names:
        if not name.startswith("md") or name in known:
            continue
        try:
            state = host.read_text(f"/sys/block/{name}/md/array_state").strip()
        except OSError:
            continue  # gone meanwhile, or only a device that was never made an array
        if state != "clear":
            trouble = CannotParse(SOURCE, f"{name} is {state} and missing from {PATH}")
            spots.append(blindness_of(SOURCE, trouble))
    return spots
