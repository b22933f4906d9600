"""Answers as zpool prints them, for a pool described in a few words: as text and as JSON.

A pool is a list of rows ``(depth, name, state, errors, remark)``; depth 1 is a top vdev. Both
forms are made from the same rows, so that what is true of one can be asked of the other.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from watcher.readers.pools import zfs
from watcher.readers.pools.zfs_status import kind_of
from watcher.readers.recorded import Answer, RecordedHost

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
GUID = 7475288036063264972

Row = tuple[int, str, str, tuple[int, int, int], str]


def row(
    depth: int,
    name: str,
    state: str = "ONLINE",
    *,
    errors: tuple[int, int, int] = (0, 0, 0),
    remark: str = "",
) -> Row:
    return (depth, name, state, errors, remark)


def group(name: str, *drives: str | Row, state: str = "ONLINE", depth: int = 1) -> list[Row]:
    """Make a group with its drives; a bare name is an online drive."""
    rows = [row(depth + 1, f"/dev/{d}") if isinstance(d, str) else d for d in drives]
    return [row(depth, name, state), *rows]


def drive(name: str, state: str = "ONLINE", **more: Any) -> Row:
    """Make a drive one level below a group."""
    depth = more.pop("depth", 2)
    return row(depth, f"/dev/{name}", state, **more)


Sections = Mapping[str, Sequence[Row]]


def text(
    rows: Sequence[Row],
    *,
    state: str = "ONLINE",
    scan: str = "",
    errors: str = "No known data errors",
    sections: Sections | None = None,
    status: str = "",
    see: str = "",
) -> str:
    """Make ``zpool status -P -p -v``."""
    lines = ["  pool: tank", f" state: {state}"]
    lines += [f"status: {status}"] if status else []
    lines += [f"   see: https://openzfs.github.io/openzfs-docs/msg/{see}"] if see else []
    lines += [f"  scan: {scan}"] if scan else []
    lines += ["config:", "", f"\t{'NAME':24}  {'STATE':8} READ WRITE CKSUM"]
    lines += [_line(row(0, "tank", state)), *map(_line, rows)]
    for name, more in (sections or {}).items():
        lines += [f"\t{name}", *(_line(one, bare=name == "spares") for one in more)]
    lines += ["", f"errors: {errors}", ""]
    return "".join(f"{line}\n" for line in lines)


def _line(one: Row, *, bare: bool = False) -> str:
    depth, name, state, errors, remark = one
    counts = "" if bare else "".join(f" {count:5}" for count in errors)
    said = f"  ({remark})" if "resilver" in remark else (f"  {remark}" if remark else "")
    return f"\t{'  ' * depth}{name:24}  {state:8}{counts}{said}"


_KEYS = {"logs": "logs", "cache": "l2cache", "spares": "spares", "special": "special",
         "dedup": "dedup"}  # fmt: skip


def as_json(
    rows: Sequence[Row],
    *,
    state: str = "ONLINE",
    scan: Mapping[str, Any] | None = None,
    errors: int = 0,
    files: Sequence[str] = (),
    sections: Sections | None = None,
    **more: Any,
) -> str:
    """Make ``zpool status -P -p -v -j --json-int``."""
    root = {"name": "tank", "vdev_type": "root", "guid": GUID, "state": state,
            "vdevs": _nested(rows)}  # fmt: skip
    pool: dict[str, Any] = {"name": "tank", "state": state, "pool_guid": GUID, **more}
    if scan is not None:
        pool["scan_stats"] = dict(scan)
    pool["vdevs"] = {"tank": root}
    for name, those in (sections or {}).items():
        pool[_KEYS[name]] = _nested(those)
    pool["error_count"] = errors
    if files:
        pool["errlist"] = list(files)
    version = {"command": "zpool status", "vers_major": 0, "vers_minor": 1}
    return json.dumps({"output_version": version, "pools": {"tank": pool}})


def _nested(rows: Sequence[Row]) -> dict[str, Any]:
    """Make the tree of objects out of rows with depths."""
    top: dict[str, Any] = {}
    trail: list[tuple[int, dict[str, Any]]] = [(0, top)]
    for depth, name, state, errors, remark in rows:
        one: dict[str, Any] = {"name": name, "vdev_type": kind_of(name), "state": state}
        if name.startswith("/"):
            one["path"] = name
        one |= dict(zip(("read_errors", "write_errors", "checksum_errors"), errors, strict=True))
        if "resilver" in remark:
            one["scan_processed"] = 4096
        while trail[-1][0] >= depth and len(trail) > 1:
            trail.pop()
        trail[-1][1][name] = one
        below: dict[str, Any] = {}
        if kind_of(name) != "disk":
            one["vdevs"] = below
        trail.append((depth, below))
    return top


SCRUB_DONE = "scrub repaired 0B in 00:00:01 with 0 errors on Sat Feb 28 02:00:00 2026"


def scan(function: str, state: str, **more: int) -> dict[str, Any]:
    """Make the ``scan_stats`` of the JSON form."""
    plain = {"start_time": 1772240000, "end_time": 1772244000, "to_examine": 1100, "issued": 250,
             "skipped": 100, "errors": 0, "scrub_pause": 0}  # fmt: skip
    return {"function": function, "state": state, **plain, **more}


def text_box(said: str, *, rows: int, health: str = "ONLINE") -> RecordedHost:
    """Make a box whose zpool knows no JSON."""
    listed = f"tank\t1\t1\t1\t{health}\n" + "\tx\t1\t1\t1\n" * rows
    programs: dict[tuple[str, ...], Answer] = {
        zfs.STATUS_JSON: (2, "", "invalid option 'j'\nusage:\n"),
        zfs.STATUS_TEXT: (0, said, ""),
        zfs.ROWS: (0, listed, ""),
        zfs.LIST: (0, f"tank\t{GUID}\t{health}\n", ""),
    }
    return RecordedHost(programs=programs, folders={zfs.MODULE: ["version"]})


def json_box(said: str, **files: str) -> RecordedHost:
    """Make a box whose zpool speaks JSON."""
    return RecordedHost(programs={zfs.STATUS_JSON: (0, said, "")}, files=files)
