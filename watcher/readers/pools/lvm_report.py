"""What LVM reports of its logical volumes and the devices below them.

Programs: ``lvs`` and ``pvs`` of lvm2 2.02.158 and up (JSON), with :data:`LVS` and :data:`PVS`,
described in lvs(8), lvmreport(7) and lvmraid(7); and ``dmsetup status`` (Linux
Documentation/admin-guide/device-mapper/dm-raid.rst), which alone tells each image's health: ``A``
in step, ``a`` not yet, ``D`` dead.

All values are strings, numbers too; an unknown number is "". Sub-volumes stand in brackets; a
device that is gone is ``[unknown]``. A volume in several segments has one row for each.

Ignored: everything about snapshots and caches. Traps: warnings go to standard error
with exit status 0; dm names double every hyphen of a name.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from typing import Any

from watcher.readers.errors import CannotParse

SOURCE = "lvs"
LV_COLUMNS = (
    "lv_name,vg_name,lv_uuid,lv_attr,lv_size,segtype,devices,lv_health_status,lv_active,"
    "sync_percent,raid_mismatch_count,raid_sync_action,lv_parent,lv_role,lv_time,"
    "data_percent,metadata_percent,lv_check_needed"
)
PV_COLUMNS = "pv_name,vg_name,pv_uuid,pv_missing,pv_size"
_JSON = ("--reportformat", "json", "--units", "b", "--nosuffix")
LVS = ("lvs", "-a", *_JSON, "-o", LV_COLUMNS)
PVS = ("pvs", *_JSON, "-o", PV_COLUMNS)
THIN_POOL = "thin-pool"
"""The segment type (lvmthin(7))."""
STATUS = ("dmsetup", "status", "--target", "raid")


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """One logical volume, segments joined."""

    name: str  # without brackets
    group: str
    uuid: str
    attributes: str
    kind: str  # segment type: "raid5", "linear", …
    devices: tuple[str, ...]  # "/dev/sda", "mir_rimage_0", "[unknown]"
    health: str  # "" is well
    is_active: bool
    size_bytes: int | None
    synced_percent: float | None
    mismatches: int | None
    action: str
    parent: str
    roles: frozenset[str]
    made: str  # time of creation, as printed
    data_percent: float | None = None  # of a thin pool in use: how full it is
    metadata_percent: float | None = None
    needs_check: bool = False  # the metadata of a thin pool


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One physical volume."""

    name: str  # "/dev/sda", or "[unknown]"
    group: str
    uuid: str
    is_missing: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RaidStatus:
    """What the kernel says of one raid target."""

    health: str  # a letter for each image, of A a D (and - for none)
    done: int
    total: int
    action: str
    mismatches: int


_DEVICE = re.compile(r"(\[unknown\]|[^(),\s]+)\([0-9]*\)")


def _refuse(reason: str, line: str = "") -> CannotParse:
    return CannotParse(SOURCE, reason, line=line)


def _rows(text: str, key: str) -> list[dict[str, Any]]:
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _refuse("not JSON") from error
    reports = document.get("report") if isinstance(document, dict) else None
    if not isinstance(reports, list) or not reports:
        raise _refuse("no report")
    rows: list[dict[str, Any]] = []
    for report in reports:
        part = report.get(key) if isinstance(report, dict) else None
        if not isinstance(part, list) or not all(isinstance(row, dict) for row in part):
            raise _refuse(f"no list of {key}")
        rows.extend(part)
    return rows


def _word(row: dict[str, Any], column: str, *, needed: bool = True) -> str:
    value = row.get(column, None if needed else "")
    if not isinstance(value, str):
        raise _refuse(f"no column {column}", repr(row.get("lv_name") or row.get("pv_name")))
    return value.strip()


def _count(row: dict[str, Any], column: str) -> int | None:
    value = _word(row, column, needed=False)
    if not value or value == "-1":
        return None
    if not re.fullmatch(r"[0-9]{1,18}", value):
        raise _refuse(f"{column} is no number", value)
    return int(value)


def _percent(row: dict[str, Any], column: str) -> float | None:
    value = _word(row, column, needed=False)
    if not value:
        return None
    if not re.fullmatch(r"[0-9]{1,3}(?:\.[0-9]{1,6})?", value) or float(value) > 100:
        raise _refuse(f"{column} is no share", value)
    return float(value)


def _devices(text: str) -> tuple[str, ...]:
    found = tuple(match.group(1) for match in _DEVICE.finditer(text))
    if text and ",".join(m.group(0) for m in _DEVICE.finditer(text)) != text.replace(" ", ""):
        raise _refuse("a list of devices cannot be read", text)
    return found


def _volume(row: dict[str, Any]) -> Volume:
    attributes = _word(row, "lv_attr")
    if len(attributes) < 10:
        raise _refuse("lv_attr is too short", attributes)
    name = _word(row, "lv_name").strip("[]")
    if not name or not _word(row, "lv_uuid") or not _word(row, "segtype"):
        raise _refuse("a volume has no name, identity or kind", name)
    is_thin = _word(row, "segtype") == THIN_POOL  # caches and snapshots count something else there
    return Volume(
        name=name,
        group=_word(row, "vg_name"),
        uuid=_word(row, "lv_uuid"),
        attributes=attributes,
        kind=_word(row, "segtype"),
        devices=_devices(_word(row, "devices")),
        health=_word(row, "lv_health_status"),
        is_active=_word(row, "lv_active") not in {"", "unknown"},
        size_bytes=_count(row, "lv_size"),
        synced_percent=_percent(row, "sync_percent"),
        mismatches=_count(row, "raid_mismatch_count"),
        action=_word(row, "raid_sync_action"),
        parent=_word(row, "lv_parent"),
        roles=frozenset(_word(row, "lv_role").split(",")),
        made=_word(row, "lv_time", needed=False),
        data_percent=_percent(row, "data_percent") if is_thin else None,
        metadata_percent=_percent(row, "metadata_percent") if is_thin else None,
        needs_check=_word(row, "lv_check_needed", needed=False) not in {"", "unknown", "-1"},
    )


def parse_volumes(text: str) -> tuple[Volume, ...]:
    """Read the report of :data:`LVS`; raises ``CannotParse``, also when a row must be missing."""
    found: dict[str, Volume] = {}
    for row in _rows(text, "lv"):
        volume = _volume(row)
        before = found.get(volume.uuid)
        if before is None:
            found[volume.uuid] = volume
            continue
        if (before.group, before.name) != (volume.group, volume.name):
            raise _refuse("two volumes have one identity", volume.name)
        more = tuple(d for d in volume.devices if d not in before.devices)
        worse = before.health or volume.health
        found[volume.uuid] = replace(before, devices=(*before.devices, *more), health=worse)
    volumes = tuple(found.values())
    names = {(volume.group, volume.name) for volume in volumes}
    if len(names) != len(volumes):
        raise _refuse("two volumes have one name")
    for volume in volumes:
        below = [d for d in volume.devices if not d.startswith(("/", "["))]
        above = [volume.parent] if volume.parent else []
        for other in (*below, *above):
            if (volume.group, other) not in names:
                raise _refuse(f"{volume.name} belongs with {other}, which is not listed")
    return volumes


def parse_devices(text: str) -> tuple[Device, ...]:
    """Read the report of :data:`PVS`, devices outside any group left out."""
    return tuple(
        Device(
            name=_word(row, "pv_name"),
            group=_word(row, "vg_name"),
            uuid=_word(row, "pv_uuid"),
            is_missing=bool(_word(row, "pv_missing")) or _word(row, "pv_name") == "[unknown]",
        )
        for row in _rows(text, "pv")
        if _word(row, "vg_name")
    )


def parse_names(text: str) -> frozenset[str]:
    """Name all physical volumes in the report of :data:`PVS`, also those outside any group."""
    return frozenset(_word(row, "pv_name") for row in _rows(text, "pv"))


_STATUS = re.compile(
    r"(\S+): [0-9]+ [0-9]+ raid \S+ ([0-9]{1,4}) ([AaD-]+) ([0-9]{1,18})/([0-9]{1,18})"
    r"(?: ([a-z]+) ([0-9]{1,18}))?(?: .*)?"
)


def parse_status(text: str) -> dict[str, RaidStatus]:
    """Read ``dmsetup status``, other targets skipped; by dm name. Raises ``CannotParse``."""
    found: dict[str, RaidStatus] = {}
    for line in text.splitlines():
        if " raid " not in line:
            continue
        match = _STATUS.fullmatch(line.strip())
        if match is None or len(match.group(3)) != int(match.group(2)):
            raise CannotParse("dmsetup", "a raid status cannot be read", line=line)
        name = match.group(1)
        if name in found:
            raise CannotParse("dmsetup", "a volume is listed twice", line=line)
        found[name] = RaidStatus(
            health=match.group(3),
            done=int(match.group(4)),
            total=int(match.group(5)),
            action=match.group(6) or "",
            mismatches=int(match.group(7) or 0),
        )
    return found


def dm_name(volume: Volume) -> str:
    """Give a volume's name in the device mapper: hyphens doubled."""
    return f"{volume.group.replace('-', '--')}-{volume.name.replace('-', '--')}"


_LAST_SEEN = re.compile(r"missing PV (\S+) \(last written to (\S+)\)")


def parse_last_seen(warnings: str) -> dict[str, str]:
    """Give for each missing physical volume, by its UUID, the device it was last seen on."""
    return dict(_LAST_SEEN.findall(warnings))


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """All that LVM told in one look."""

    volumes: tuple[Volume, ...]
    devices: tuple[Device, ...] = ()
    status: dict[str, RaidStatus] | None = None  # None: the kernel was not asked
    last_seen: dict[str, str] | None = None  # missing device's UUID → "/dev/sdb"

    def volume(self, group: str, name: str) -> Volume | None:
        """Find a volume by name."""
        return next((v for v in self.volumes if (v.group, v.name) == (group, name)), None)

    def parts_of_thin_pool(self, volume: Volume) -> tuple[Volume, ...]:
        """Give the hidden volumes that hold a thin pool's data and its metadata.

        The data stands among its devices, the metadata beside them, under a name of its own
        (lvmthin(7)).
        """
        return tuple(
            part
            for part in self.volumes
            if part.group == volume.group
            and part.uuid != volume.uuid
            and (
                part.name in volume.devices
                or part.parent == volume.name
                or part.name == f"{volume.name}_tmeta"
            )
        )

    def rests_on(self, volume: Volume) -> tuple[str, ...]:
        """Give the devices below a volume, through all sub-volumes."""
        found: list[str] = []
        seen = {volume.uuid}
        waiting = [volume]
        while waiting:
            above = waiting.pop(0)
            for name in above.devices:
                below = self.volume(volume.group, name)
                if below is None:
                    found.append(name)
                elif below.uuid not in seen:
                    seen.add(below.uuid)
                    waiting.append(below)
        return tuple(dict.fromkeys(found))
