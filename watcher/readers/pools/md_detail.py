"""What only mdadm tells of a software array: its UUID, its name, and when it was made.

Program: mdadm 4; :data:`EXPORT` and :data:`DETAIL`, described in mdadm(8). Both need root; readers
work without. The plain form is for people, and only two of its lines are used, both in local time
and in English (LC_ALL=C): they are compared with each other only.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from watcher.facts.drive import Unread
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.host import Host, require_exited
from watcher.readers.pools.md_sysfs import usual_uuid

SOURCE = "mdadm"
EXPORT = ("mdadm", "--detail", "--export")
DETAIL = ("mdadm", "--detail")
REMEDY = "install mdadm, and run midwatch as root"

_LINE = re.compile(r"([A-Za-z0-9_]+)=(.*)")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_TIME = re.compile(
    r"[A-Z][a-z]{2} ([A-Z][a-z]{2}) +([0-9]{1,2}) ([0-9]{2}):([0-9]{2}):([0-9]{2}) ([0-9]{4})"
)


def parse_export(text: str) -> tuple[str | None, str | None]:
    """Give UUID and name; None for what an array does not have. Raises ``CannotParse``."""
    found: dict[str, str] = {}
    for line in text.splitlines():
        if not line.strip():
            continue
        pair = _LINE.fullmatch(line.strip())
        if pair is None:
            raise CannotParse(SOURCE, "a line is not NAME=VALUE", line=line)
        found[pair.group(1)] = pair.group(2)
    if "MD_LEVEL" not in found and "MD_METADATA" not in found:
        raise CannotParse(SOURCE, "no array is described")
    return usual_uuid(found.get("MD_UUID", "")), found.get("MD_NAME") or None


def parse_age(text: str) -> timedelta:
    """Give how long before its last update the array was made; raises ``CannotParse``."""
    moments: dict[str, datetime] = {}
    for line in text.splitlines():
        name, colon, value = line.strip().partition(" : ")
        if colon and name in {"Creation Time", "Update Time"}:
            if name in moments:
                raise CannotParse(SOURCE, f"two lines of {name}", line=line)
            moments[name] = _moment(value)
    if len(moments) != 2:
        raise CannotParse(SOURCE, "no times of creation and update")
    age = moments["Update Time"] - moments["Creation Time"]
    if age < timedelta(0):
        raise CannotParse(SOURCE, "was updated before it was made")
    return age


def _moment(value: str) -> datetime:
    found = _TIME.fullmatch(value.strip())
    if found is None or found.group(1) not in _MONTHS:
        raise CannotParse(SOURCE, "a time cannot be read", line=value)
    month = _MONTHS.index(found.group(1)) + 1
    day, hour, minute, second, year = (int(found.group(i)) for i in range(2, 7))
    try:
        return datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError as error:
        raise CannotParse(SOURCE, "a time cannot be", line=value) from error


def read_export(host: Host, name: str) -> tuple[str | None, str | None]:
    """Ask for UUID and name of ``md0``; raises ``CannotRead`` or ``CannotParse``."""
    return parse_export(_ask(host, (*EXPORT, f"/dev/{name}")))


def read_age(host: Host, name: str) -> timedelta:
    """Ask how old ``md0`` was at its last update; raises ``CannotRead`` or ``CannotParse``."""
    return parse_age(_ask(host, (*DETAIL, f"/dev/{name}")))


def _ask(host: Host, argv: tuple[str, ...]) -> str:
    ran = require_exited(SOURCE, host.run(argv, lane=argv[-1]), remedy=REMEDY)
    if ran.status:
        said = ran.stderr.strip().splitlines()
        why = Unread.FORBIDDEN if "super-user" in ran.stderr else Unread.GARBLED
        raise CannotRead(SOURCE, why, said[0] if said else f"status {ran.status}", remedy=REMEDY)
    return ran.stdout
