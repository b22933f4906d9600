"""What the kernel tells of one software array, fact by fact: ``/sys/block/mdX/md/``.

Source: Linux 4 to 6, Documentation/admin-guide/md.rst and drivers/md/md.c. Readable by anyone.
Attributes that a level does not have (``degraded`` of a raid0) are simply not there.

Units: ``sync_completed``, ``resync_start``, ``recovery_start``, ``errors``, ``mismatch_cnt`` and
``bad_blocks`` are in sectors of 512 bytes; ``component_size`` and a member's ``size`` in KiB;
``sync_speed`` in KiB a second over the last 30 s.

Traps: ``array_state`` says ``clean`` while degraded. ``sync_completed`` may read ``0 / N``,
``none`` or ``delayed`` at the start of a rebuild, and 0 at its end. ``sync_action`` may flash
``recover`` where no recovery is possible. A journal's ``slot`` reads ``journal`` (``slot_show`` of
drivers/md/md.c, from memory). While a reshape runs, ``raid_disks``, ``level``,
``layout`` and ``chunk_size`` read ``new (old)``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.host import Host
from watcher.readers.pools.shape import cannot_open

SOURCE = "md-sysfs"

ARRAY_STATES = frozenset(
    {
        "clear",
        "inactive",
        "suspended",
        "readonly",
        "read-auto",
        "clean",
        "active",
        "write-pending",
        "active-idle",
        "broken",
    }
)
"""md.rst, ``array_state``; ``broken`` since Linux 5.4."""

SYNC_ACTIONS = frozenset({"idle", "resync", "recover", "check", "repair", "reshape", "frozen"})
"""md.rst, ``sync_action``; ``frozen`` when repairs are held."""

MEMBER_WORDS = frozenset(
    {
        "faulty",
        "in_sync",
        "writemostly",
        "blocked",
        "spare",
        "write_error",
        "want_replacement",
        "replacement",
        "journal",
        "failfast",
        "external_bbl",
    }
)
"""md.rst, ``dev-XXX/state``; the last three from memory of drivers/md/md.c."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MemberTold:
    """One ``dev-XXX`` folder."""

    name: str  # kernel name: "sdb1"
    words: frozenset[str]
    slot: int | None = None  # None: it has no slot
    errors: int | None = None  # sectors read in error and corrected, without putting it out
    recovered_sectors: int | None = None  # None: wholly in step, or not told
    bad_sectors: int = 0  # that are recorded as unreadable
    bad_ranges: tuple[tuple[int, int], ...] = ()  # where (from the device's start), and how many
    data_offset: int = 0  # sectors before the data
    size_kib: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrayTold:
    """One ``md`` folder. None: the attribute is not there."""

    array_state: str | None = None
    degraded: int | None = None
    sync_action: str | None = None
    last_sync_action: str | None = None
    done_sectors: int | None = None  # None while the kernel says none or delayed
    total_sectors: int | None = None
    delayed: bool = False
    kib_per_second: int | None = None
    mismatch_sectors: int | None = None
    wanted: int | None = None
    level: str | None = None
    layout: int | None = None
    dirty_from_sector: int | None = None  # None: no resync is due
    policy: str | None = None  # consistency_policy
    component_kib: int | None = None
    uuid: str | None = None  # as mdadm writes it
    members: tuple[MemberTold, ...] = ()
    unknown: tuple[str, ...] = ()  # "attribute=word" that we do not know


_NUMBER = re.compile(r"[0-9]{1,18}")
_NEW_OLD = re.compile(r"(-?[0-9]{1,18})(?: \((-?[0-9]{1,18})\))?")
_DONE = re.compile(r"([0-9]{1,18}) ?/ ?([0-9]{1,18})")
_RANGE = re.compile(r"([0-9]{1,18}) ([0-9]{1,18})")
_NOT_HEX = re.compile(r"[^0-9a-f]")


def _refuse(name: str, value: str) -> CannotParse:
    return CannotParse(SOURCE, f"{name} cannot be read", line=value)


def number(name: str, value: str) -> int:
    """Read one number of sectors, KiB or pieces; raises ``CannotParse``."""
    if not _NUMBER.fullmatch(value):
        raise _refuse(name, value)
    return int(value)


def number_or_none(name: str, value: str) -> int | None:
    """Read a number where the kernel says ``none`` for there being none."""
    return None if value in {"none", "delayed"} else number(name, value)


def newer_number(name: str, value: str) -> int:
    """Read ``7`` or, while a reshape runs, ``7 (6)``: the number it is becoming."""
    found = _NEW_OLD.fullmatch(value)
    if found is None:
        raise _refuse(name, value)
    return int(found.group(1))


def usual_uuid(text: str) -> str | None:
    """Give an array's UUID the way mdadm writes it, four groups of eight; None if it is none."""
    digits = _NOT_HEX.sub("", text.lower())
    if len(digits) != 32 or set(digits) == {"0"}:
        return None
    return ":".join(digits[i : i + 8] for i in range(0, 32, 8))


PAGE = 4096
"""Bytes. A file of sysfs holds no more, and a list that is longer is cut there (sysfs.rst)."""


def _bad_ranges(what: str, text: str) -> list[tuple[int, int]]:
    """Read a list of bad blocks; of one that fills its page the last line may be cut."""
    lines = text.splitlines()
    found: list[tuple[int, int]] = []
    for number_of, line in enumerate(lines, start=1):
        one = _RANGE.fullmatch(line.strip())
        if one is not None:
            found.append((int(one.group(1)), int(one.group(2))))
        elif number_of < len(lines) or len(text) < PAGE - len("\n") * 2:
            raise _refuse(what, line)
    return found


def parse_member(name: str, files: dict[str, str]) -> MemberTold:
    """Read the attributes of one member; ``state`` and ``slot`` must be there."""
    missing = {"state", "slot"} - files.keys()
    if missing:
        raise CannotParse(SOURCE, f"{name} has no {min(missing)}")
    words = frozenset(files["state"].replace(",", " ").split())
    start = files.get("recovery_start", "none")
    bad = [
        one
        for attribute in ("bad_blocks", "unacknowledged_bad_blocks")
        for one in _bad_ranges(f"{name} {attribute}", files.get(attribute, ""))
    ]
    return MemberTold(
        name=name,
        words=words,
        slot=None if files["slot"] == "journal" else number_or_none(f"{name} slot", files["slot"]),
        errors=number(f"{name} errors", files["errors"]) if "errors" in files else None,
        recovered_sectors=number_or_none(f"{name} recovery_start", start),
        bad_sectors=sum(length for _, length in bad),
        bad_ranges=tuple(sorted(set(bad))),
        data_offset=number(f"{name} offset", files["offset"]) if "offset" in files else 0,
        size_kib=number(f"{name} size", files["size"]) if "size" in files else None,
    )


def parse_array(files: dict[str, str], members: tuple[MemberTold, ...] = ()) -> ArrayTold:
    """Read the attributes of one array, given by name; raises ``CannotParse``."""
    unknown: list[str] = []
    for attribute, known in (
        ("array_state", ARRAY_STATES),
        ("sync_action", SYNC_ACTIONS),
    ):
        word = files.get(attribute)
        if word is not None and word not in known:
            unknown.append(f"{attribute}={word[:40]}")
    unknown.extend(
        f"{member.name} state={word[:40]}"
        for member in members
        for word in sorted(member.words - MEMBER_WORDS)
    )
    done, total, delayed = _progress(files.get("sync_completed"))

    def count(attribute: str) -> int | None:
        value = files.get(attribute)
        return None if value is None else number_or_none(attribute, value)

    def newer(attribute: str) -> int | None:
        value = files.get(attribute)
        return None if value is None else newer_number(attribute, value)

    return ArrayTold(
        array_state=files.get("array_state"),
        degraded=count("degraded"),
        sync_action=files.get("sync_action"),
        last_sync_action=files.get("last_sync_action"),
        done_sectors=done,
        total_sectors=total,
        delayed=delayed,
        kib_per_second=count("sync_speed"),
        mismatch_sectors=count("mismatch_cnt"),
        wanted=newer("raid_disks"),
        level=files["level"].split(" ")[0] if files.get("level") else None,
        layout=newer("layout") if files.get("layout") else None,
        dirty_from_sector=count("resync_start"),
        policy=files.get("consistency_policy"),
        component_kib=count("component_size"),
        uuid=usual_uuid(files.get("uuid", "")),
        members=members,
        unknown=tuple(unknown),
    )


def _progress(value: str | None) -> tuple[int | None, int | None, bool]:
    if value in {None, "", "none", "delayed"}:
        return None, None, value == "delayed"
    found = _DONE.fullmatch(value or "")
    if found is None:
        raise _refuse("sync_completed", value or "")
    done, total = int(found.group(1)), int(found.group(2))
    if done > total:
        raise _refuse("sync_completed", value or "")
    return done, total, False


ARRAY_FILES = (
    "array_state",
    "degraded",
    "sync_action",
    "last_sync_action",
    "sync_completed",
    "sync_speed",
    "mismatch_cnt",
    "raid_disks",
    "level",
    "layout",
    "resync_start",
    "consistency_policy",
    "component_size",
    "uuid",
)
MEMBER_FILES = (
    "state",
    "slot",
    "errors",
    "recovery_start",
    "bad_blocks",
    "unacknowledged_bad_blocks",
    "size",
    "offset",
)


def read_array(host: Host, name: str) -> ArrayTold:
    """Read the folder of one array; raises ``CannotRead`` or ``CannotParse``.

    A member whose folder goes away while it is read is left out: it was put out just then.
    """
    folder = f"/sys/block/{name}/md"
    try:
        entries = host.list_dir(folder)
    except OSError as error:
        raise cannot_open(SOURCE, folder, error) from error
    members: list[MemberTold] = []
    for entry in entries:
        if entry.startswith("dev-"):
            files = _files(host, f"{folder}/{entry}", MEMBER_FILES)
            if files:
                members.append(parse_member(entry.removeprefix("dev-"), files))
    return parse_array(_files(host, folder, ARRAY_FILES), tuple(members))


def _files(host: Host, folder: str, names: tuple[str, ...]) -> dict[str, str]:
    """Read those of the files that are there; raises ``CannotRead`` when one may not be read."""
    found: dict[str, str] = {}
    for name in names:
        try:
            found[name] = host.read_text(f"{folder}/{name}").strip()
        except FileNotFoundError:
            continue
        except PermissionError as error:
            raise cannot_open(SOURCE, f"{folder}/{name}", error) from error
        except OSError as error:
            # an attribute of a member that is just being put out answers ENODEV or EBUSY
            if name in {"state", "slot", "array_state"}:
                raise CannotRead(
                    SOURCE,
                    cannot_open(SOURCE, name, error).why,
                    f"{folder}/{name} cannot be read: {error}",
                ) from error
    return found
