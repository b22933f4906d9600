"""``zpool status -P -p -v -j --json-int`` (OpenZFS 2.3 and up).

Layout: ``output_version`` says which (0.1 was run), then ``pools`` by name, each with ``vdevs``
(one root, and below it a tree of ``vdevs``) and beside it ``special``, ``dedup``, ``logs``,
``l2cache`` and ``spares``. Numbers are integers; strings of digits are taken too. What is left
out: features, trim and initialise states, and events.

Traps: a whole answer can be valid JSON and yet tell only of some pools, so nothing is concluded
from a pool that is not in it; a running resilver is told for the pool, not for the drive. A
sequential resilver (``zpool replace -s``, and every one onto a distributed spare) is no scan of the
pool: it stands in ``scan_stats.rebuild_stats`` by top vdev, for ever, also where the pool was never
scanned; and a device that cannot be opened may be ``CANT_OPEN``, which the text calls UNAVAIL (both
from memory of the program's sources).
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from watcher.readers.errors import CannotParse
from watcher.readers.pools.zfs_status import (
    GROUPS,
    LEAVES,
    Scan,
    ScanState,
    Status,
    Vdev,
)

SOURCE = "zpool status -j"
MAJOR = 0
_LATEST = 253_402_300_799  # the last second of the year 9999


def parse(text: str) -> tuple[Status, ...]:
    """Give the pools that the JSON tells of."""
    try:
        whole = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise CannotParse(SOURCE, "it is no JSON: it was cut or garbled", line=text) from error
    top = _object(whole, "the whole")
    version = _object(top.get("output_version"), "output_version")
    if _number(version, "vers_major") != MAJOR or version.get("command") != "zpool status":
        raise CannotParse(SOURCE, f"its version {version!r} is not known")
    pools = _object(top.get("pools"), "pools")
    found = tuple(_pool(_object(pool, "a pool")) for pool in pools.values())
    if len({pool.name for pool in found}) != len(found):
        raise CannotParse(SOURCE, "one pool is there twice")
    return found


def _object(value: object, what: str) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise CannotParse(SOURCE, f"{what} is lacking or is no object", line=str(value))
    return value


def _number(holder: Mapping[str, Any], key: str) -> int | None:
    """Give a count; None when it is not there."""
    value = holder.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise CannotParse(SOURCE, f"{key} is no number", line=str(value))
    if isinstance(value, str):
        if not re.fullmatch(r"[0-9]{1,20}", value):
            raise CannotParse(SOURCE, f"{key} is no exact number", line=value)
        value = int(value)
    if not 0 <= value < 2**64:
        raise CannotParse(SOURCE, f"{key} is out of range", line=str(value)[:80])
    return value


def _word(holder: Mapping[str, Any], key: str) -> str:
    value = holder.get(key)
    if not isinstance(value, str) or not value:
        raise CannotParse(SOURCE, f"{key} is lacking or is no word", line=str(value))
    return value


def _pool(pool: Mapping[str, Any]) -> Status:
    name = _word(pool, "name")
    roots = list(_object(pool.get("vdevs"), "vdevs").values())
    if len(roots) != 1:
        raise CannotParse(SOURCE, "a pool has not exactly one root", line=name)
    root = _object(roots[0], "the root")
    if root.get("vdev_type") != "root" or _word(root, "name") != name:
        raise CannotParse(SOURCE, "the tree does not begin with its pool", line=name)
    guid = _number(pool, "pool_guid")
    if guid is None:
        raise CannotParse(SOURCE, "a pool has no guid", line=name)
    errors = _number(pool, "error_count")
    if errors is None:
        raise CannotParse(SOURCE, "it does not tell of data errors", line=name)
    files = pool.get("errlist", [])
    if not isinstance(files, list) or not all(isinstance(file, str) for file in files):
        raise CannotParse(SOURCE, "the list of damaged files is no list", line=name)
    data = _vdevs(root, "vdevs")
    if not data:
        raise CannotParse(SOURCE, "the pool has no vdevs", line=name)
    scans, unknown = _scans(pool)
    return Status(
        name=name,
        guid=str(guid),
        said=_word(pool, "state"),
        why=" ".join(str(pool.get("status", "")).split()),
        message=str(pool.get("msgid", "")),
        scans=scans,
        unknown_scan=unknown,
        data=data,
        special=_vdevs(pool, "special"),
        dedup=_vdevs(pool, "dedup"),
        logs=_vdevs(pool, "logs"),
        cache=_vdevs(pool, "l2cache"),
        spares=_vdevs(pool, "spares"),
        data_errors=max(errors, len(files)),
        damaged_files=tuple(files),
    )


def _vdevs(holder: Mapping[str, Any], key: str) -> tuple[Vdev, ...]:
    if key not in holder:
        return ()
    uncounted = key == "spares"
    parts = _object(holder[key], key).values()
    return tuple(_vdev(_object(part, "a vdev"), uncounted=uncounted) for part in parts)


_COUNTS = ("read_errors", "write_errors", "checksum_errors")


def _vdev(vdev: Mapping[str, Any], *, uncounted: bool) -> Vdev:
    name, kind = _word(vdev, "name"), _word(vdev, "vdev_type")
    parts = _vdevs(vdev, "vdevs")
    read, write, checksum = (_number(vdev, key) for key in _COUNTS)
    if kind == "disk" and not uncounted and None in {read, write, checksum}:
        raise CannotParse(SOURCE, "the errors of a drive are not counted", line=name)
    if bool(parts) and kind in LEAVES:
        raise CannotParse(SOURCE, "something lies below a drive", line=name)
    if not parts and kind in GROUPS - {"indirect"}:
        raise CannotParse(SOURCE, "a group is empty", line=name)
    path = vdev.get("path")
    return Vdev(
        name=name,
        kind=kind,
        said=_word(vdev, "state"),
        read=read,
        write=write,
        checksum=checksum,
        slow=_number(vdev, "slow_ios"),
        remark=_remark(vdev),
        path=path if isinstance(path, str) else None,
        size_bytes=_number(vdev, "phys_space"),
        parts=parts,
    )


_FILLED = re.compile("resilver|rebuild|^scan_processed$")
_NOTHING = (None, False, 0, "", "0", "0B")


def _remark(vdev: Mapping[str, Any]) -> str:
    """Give what is said beside the state: the reason, and whether it was filled by a resilver.

    ``scan_processed`` stays when the scan has ended, so it means something only while one runs.
    """
    said = [str(vdev[key]) for key in ("aux", "was") if key in vdev]
    said += ["resilvering" for key in vdev if _FILLED.search(key) and vdev[key] not in _NOTHING]
    return ", ".join(dict.fromkeys(said))


_FUNCTIONS = {"SCRUB": False, "RESILVER": True, "ERRORSCRUB": False}
_STATES = {
    "SCANNING": ScanState.RUNNING,
    "FINISHED": ScanState.FINISHED,
    "CANCELED": ScanState.CANCELED,
    "ERRORSCRUBBING": ScanState.RUNNING,
}


def _scans(pool: Mapping[str, Any]) -> tuple[tuple[Scan, ...], str]:
    """Give what scans there are or were, and a word that is not known."""
    if "scan_stats" not in pool:
        return (), ""
    stats = _object(pool["scan_stats"], "scan_stats")
    rebuilds = stats.get("rebuild_stats")
    scan, unknown = None, ""
    if rebuilds is None or "function" in stats:
        scan, unknown = _scan(stats)
    scans = [scan] if scan else []
    healed = scan.ended_at if scan and scan.resilver else None
    for one in _object(rebuilds, "rebuild_stats").values() if rebuilds is not None else ():
        rebuild, odd = _rebuild(_object(one, "a rebuild"))
        unknown = unknown or odd
        over = rebuild is not None and rebuild.state is not ScanState.RUNNING
        outdated = over and healed and rebuild and rebuild.ended_at and rebuild.ended_at < healed
        if rebuild is not None and not outdated:
            scans.append(rebuild)
    return tuple(scans), unknown


def _scan(stats: Mapping[str, Any]) -> tuple[Scan | None, str]:
    """Give the scrub or the resilver of the whole pool, and a word that is not known."""
    function, word = _word(stats, "function"), _word(stats, "state")
    if function == "NONE" or word == "NONE":
        return None, ""
    if function not in _FUNCTIONS or word not in _STATES:
        return None, f"{function} {word}"
    state = _STATES[word]
    if state is ScanState.RUNNING and _number(stats, "scrub_pause"):
        state = ScanState.PAUSED
    total, skipped = _number(stats, "to_examine"), _number(stats, "skipped") or 0
    return _told(stats, state, max((total or 0) - skipped, 0), resilver=_FUNCTIONS[function]), ""


_REBUILDS = {
    "ACTIVE": ScanState.RUNNING,
    "CANCELED": ScanState.CANCELED,
    "COMPLETE": ScanState.FINISHED,
}


def _rebuild(stats: Mapping[str, Any]) -> tuple[Scan | None, str]:
    """Give the sequential resilver of one top vdev, and a word that is not known."""
    word = _word(stats, "state")
    if word == "NONE":
        return None, ""
    if word not in _REBUILDS:
        return None, f"rebuild {word}"
    return _told(stats, _REBUILDS[word], _number(stats, "to_scan") or 0, resilver=True), ""


def _told(stats: Mapping[str, Any], state: ScanState, left: int, *, resilver: bool) -> Scan:
    done = _number(stats, "issued")
    going = state in {ScanState.RUNNING, ScanState.PAUSED}
    return Scan(
        resilver=resilver,
        state=state,
        fraction=min(done / left, 1.0) if going and done is not None and left else None,
        done_bytes=done,
        total_bytes=left or None,
        errors=_number(stats, "errors") or 0,
        ended_at=None if going else _moment(_number(stats, "end_time")),
    )


def _moment(seconds: int | None) -> datetime | None:
    if not seconds or seconds > _LATEST:
        return None
    return datetime.fromtimestamp(seconds, tz=UTC)
