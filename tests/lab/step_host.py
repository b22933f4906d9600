"""A recorded machine out of one step folder of our own runs.

Layout: ``SCENARIO/STEP/FILE``; beside a file X, ``X.stderr`` is its standard error and ``X.rc`` its
exit status when that is not 0. Several arrays or mounts of one step have their name in front
(``md6-sysfs-md.txt``, ``b1-fi-usage.txt``). A file that is not there was not recorded: the reader
then finds no such program or file.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from watcher.readers import discovery
from watcher.readers.blocks import COMMAND as LSBLK
from watcher.readers.blocks import OLD_COMMAND as OLD_LSBLK
from watcher.readers.drive_target import DriveTarget
from watcher.readers.kernel_log import journal_command
from watcher.readers.pools import file_parity, zfs
from watcher.readers.pools.lvm_report import LVS, PVS, STATUS
from watcher.readers.recorded import Answer, RecordedHost
from watcher.readers.smartctl import command

SOMETIME = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
"""When a step tells no time: the day of the runs."""


@dataclass
class Tape:
    """What was found in a folder, on its way to a host."""

    texts: Mapping[str, str]  # by file name
    programs: dict[tuple[str, ...], Answer] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)
    links: dict[str, str] = field(default_factory=dict)
    folders: dict[str, list[str]] = field(default_factory=dict)

    def text(self, name: str) -> str | None:
        """Give a file of the step, None when it is not there."""
        return self.texts.get(name)

    def status(self, name: str) -> int:
        """Give the exit status of what made a file."""
        return int((self.text(f"{name}.rc") or "0").strip() or 0)

    def program(self, argv: tuple[str, ...], *names: str) -> None:
        """Record a program by the first of some files that is there."""
        for name in names:
            text = self.text(name)
            if text is not None:
                errors = self.text(f"{name}.stderr") or ""
                self.programs[argv] = (self.status(name), text, errors)
                return

    def names(self, ending: str) -> list[tuple[str, str]]:
        """Give (prefix, file name) for all files ``[PREFIX-]ENDING``."""
        found = []
        for name in sorted(self.texts):
            if name == ending:
                found.append(("", name))
            elif name.endswith(f"-{ending}"):
                found.append((name.removesuffix(f"-{ending}"), name))
        return found


STEPS = Path(__file__).parent / "steps"


def texts_of(folder: Path) -> dict[str, str]:
    """Read all files of a step folder."""
    return {
        path.name: path.read_text(errors="replace")
        for path in sorted(folder.iterdir())
        if path.is_file()
    }


def kept_step(scenario: str, step: str) -> dict[str, str]:
    """Give the files of a step that is kept with the tests."""
    kept = json.loads((STEPS / f"{scenario}.json").read_text())[step]
    return {name: "".join(f"{line}\n" for line in lines) for name, lines in kept.items()}


def kept_steps() -> list[tuple[str, str]]:
    """Name all scenarios and steps that are kept with the tests."""
    return [
        (path.stem, step)
        for path in sorted(STEPS.glob("*.json"))
        for step in json.loads(path.read_text())
    ]


def host_of(texts: Mapping[str, str]) -> tuple[RecordedHost, datetime]:
    """Make the machine of a step out of its files, and say when it was looked at."""
    tape = Tape(texts=texts)
    _blocks(tape)
    _md(tape)
    _lvm(tape)
    _btrfs(tape)
    _zfs(tape)
    _file_parity(tape)
    _smart(tape)
    _journal(tape)
    return (
        RecordedHost(
            programs=tape.programs, files=tape.files, links=tape.links, folders=tape.folders
        ),
        moment_of(tape),
    )


def moment_of(tape: Tape) -> datetime:
    """Give the time of the last kernel line, else a fixed day."""
    for line in reversed((tape.text("journal-kernel.jsonl") or "").splitlines()):
        try:
            stamp = int(json.loads(line)["__REALTIME_TIMESTAMP"])
        except (ValueError, KeyError, TypeError):
            continue  # a cut line tells no time
        return datetime.fromtimestamp(stamp / 1_000_000, tz=UTC)
    return SOMETIME


def _blocks(tape: Tape) -> None:
    for argv in (LSBLK, OLD_LSBLK):
        tape.program(argv, "lsblk.json")
    inside = ""
    for line in (tape.text("dev-disk.txt") or "").splitlines():
        if line.startswith("/dev/disk/") and line.endswith(":"):
            inside = line.removesuffix(":")
        elif " -> " in line and inside:
            name, target = line.split(" -> ", 1)
            tape.links[f"{inside}/{name.split()[-1]}"] = target.strip()


def _md(tape: Tape) -> None:
    text = tape.text("mdstat.txt")
    if text is None:
        return
    tape.files["/proc/mdstat"] = text
    arrays = re.findall(r"^(md\S*) : ", text, re.MULTILINE)
    prefixed = {prefix for prefix, _ in tape.names("sysfs-md.txt") if prefix}
    rest = [name for name in arrays if name not in prefixed]
    rest += re.findall(r"^/dev/(md\S+):", tape.text("mdadm-detail.txt") or "")

    def array_of(prefix: str) -> str | None:
        return prefix if prefix.startswith("md") else (rest[0] if rest else None)

    for ending in ("sysfs-md.txt", "sysfs-md-dev.txt"):
        for prefix, name in tape.names(ending):
            _md_sysfs(tape, array_of(prefix), tape.text(name) or "")
    for words, ending in (("--export", "mdadm-detail-export.txt"), ("", "mdadm-detail.txt")):
        for prefix, name in tape.names(ending):
            said = re.match(r"/dev/(md\S+):", tape.text(name) or "")
            array = said.group(1) if said else array_of(prefix)
            argv = ("mdadm", "--detail", *([words] if words else []), f"/dev/{array}")
            tape.program(argv, name)


def _md_sysfs(tape: Tape, array: str | None, text: str) -> None:
    """Make files out of lines ``attribute=value``; lists were joined by the recording."""
    for line in text.splitlines():
        attribute, equals, value = line.partition("=")
        if array is None or not equals or attribute.startswith("bitmap/"):
            continue
        if attribute.endswith("bad_blocks"):
            value = re.sub(r"(\d+ \d+) ", r"\1\n", f"{value.strip()} ")
        tape.files[f"/sys/block/{array}/md/{attribute}"] = f"{value.strip()}\n"


def _lvm(tape: Tape) -> None:
    """Answer our commands from reports with other columns: the time comes from the full one."""
    text = tape.text("lvs-raid.json")
    if text is not None:
        made = {
            volume.get("lv_uuid"): volume.get("lv_time")
            for report in _reports(tape.text("lvs-full.json"))
            for volume in report.get("lv", [])
        }
        reports = _reports(text)
        for report in reports:
            for volume in report.get("lv", []):
                volume["lv_time"] = made.get(volume.get("lv_uuid")) or ""
        joined = json.dumps({"report": reports}) if reports else text
        errors = tape.text("lvs-raid.json.stderr") or ""
        tape.programs[LVS] = (tape.status("lvs-raid.json"), joined, errors)
    tape.program(PVS, "pvs.json")
    tape.program(STATUS, "dmsetup-status.txt")


def _reports(text: str | None) -> list[dict[str, Any]]:
    """Give the reports of a JSON text, none when it is damaged."""
    try:
        reports = json.loads(text or "{}").get("report", [])
    except ValueError:
        return []
    return reports if isinstance(reports, list) else []


def _btrfs(tape: Tape) -> None:
    show = ("btrfs", "filesystem", "show", "--raw")
    tape.program(show, "fi-show-raw.txt")
    if show not in tape.programs and (text := tape.text("fi-show-all.txt")) is not None:
        tape.programs[show] = (tape.status("fi-show-all.txt"), _in_bytes(text), "")
    mounts = tape.text("proc-mounts.txt")
    if mounts is None:
        mounts = _mounts_of(tape)
    if mounts is None and "mount.txt" in tape.texts:
        mounts = ""  # what this step tried to mount was refused
    if mounts is not None:
        tape.files["/proc/self/mounts"] = mounts
    for ending, words in (
        ("fi-usage.txt", ("filesystem", "usage", "-b")),
        ("device-stats.txt", ("device", "stats")),
        ("scrub-status.txt", ("scrub", "status")),
        ("replace-status.txt", ("replace", "status", "-1")),
        ("balance-status.txt", ("balance", "status")),
    ):
        for prefix, name in tape.names(ending):
            tape.program(("btrfs", *words, f"/{prefix}"), name)
    for _, name in tape.names("sysfs.txt"):
        for uuid in re.findall(r"/sys/fs/btrfs/([0-9a-f-]{36})/", tape.text(name) or ""):
            tape.folders.setdefault("/sys/fs/btrfs", []).append(uuid)


def _mounts_of(tape: Tape) -> str | None:
    """Give the table of mounts that lsblk shows, None when it was not recorded."""
    try:
        devices = json.loads(tape.text("lsblk.json") or "").get("blockdevices", [])
    except ValueError:
        return None
    lines = []
    while devices:
        device = devices.pop()
        devices.extend(device.get("children", []))
        lines += [
            f"{device.get('path')} {point} {device.get('fstype')} rw 0 0\n"
            for point in device.get("mountpoints") or []
            if point
        ]
    return "".join(sorted(set(lines)))


_UNITS = {"B": 1, "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30, "TiB": 1 << 40}


def _in_bytes(text: str) -> str:
    """Turn sizes for people into bytes, as ``--raw`` prints them."""
    return re.sub(
        r"\b(\d+(?:\.\d+)?)(B|KiB|MiB|GiB|TiB)\b",
        lambda found: str(int(float(found.group(1)) * _UNITS[found.group(2)])),
        text,
    )


def _zfs(tape: Tape) -> None:
    tape.program(zfs.STATUS_JSON, "zpool-status-p-P-v-json-int.json")
    tape.program(zfs.STATUS_TEXT, "zpool-status-Ppv.txt")
    tape.program(zfs.ROWS, "zpool-list-vHp.txt")
    if any(name.startswith("zpool-") for name in tape.texts):
        tape.files[f"{zfs.MODULE}/initstate"] = "live\n"
    facts = [line.split("\t") for line in (tape.text("zpool-get-all-Hp.txt") or "").splitlines()]
    values = {(row[0], row[1]): row[2] for row in facts if len(row) > 2}
    pools = sorted({pool for pool, _ in values})
    if pools:
        lines = [
            "\t".join((pool, values.get((pool, "guid"), "-"), values.get((pool, "health"), "-")))
            for pool in pools
        ]
        tape.programs[zfs.LIST] = (0, "".join(f"{line}\n" for line in lines), "")
    datasets = tape.text("zfs-list-Hp.txt")
    if datasets is not None:  # recorded with all datasets; the command asks for the top ones
        top = [line for line in datasets.splitlines() if "/" not in line.split("\t")[0]]
        tape.programs[zfs.USABLE] = (0, "".join(f"{line}\n" for line in top), "")
    state = tape.text("kstat-state.txt")
    if state is not None and len(pools) < 2:  # the runs had one pool, also where zpool hung
        tape.files[f"{zfs.KSTAT}/{pools[0] if pools else 'tank'}/state"] = state


SNAPRAID_CONF = """\
parity /mnt/p1/snapraid.parity
content /var/snapraid/snapraid.content
content /mnt/d1/.snapraid.content
data d1 /mnt/d1/
data d2 /mnt/d2/
data d3 /mnt/d3/
exclude /lost+found/
"""
"""The configuration that the runs wrote; it was not recorded."""

SYNCED = "".join(
    f"{count} {what}\n"
    for count, what in (
        (12, "equal"),
        *((0, w) for w in ("added", "removed", "updated", "moved", "copied", "restored")),
    )
)
"""What ``snapraid diff`` says right after a sync, for the steps whose diff was made before one."""


def _file_parity(tape: Tape) -> None:
    said = tape.text("status.txt") or ""
    if "SnapRAID" not in said and "Loading state from" not in said:
        return
    tape.files[file_parity.CONFIGURATIONS[0]] = SNAPRAID_CONF
    tape.files["/mnt/p1/snapraid.parity"] = ""
    mounted = _mounted(tape.text("findmnt.txt") or "")
    if mounted:
        tape.files["/proc/self/mounts"] = mounted
    synced = re.search(
        r"^(Everything OK|Nothing to do)$", tape.text("sync.txt") or "", re.MULTILINE
    )
    differs = tape.text("diff.txt")
    if synced and (differs is None or "fix.txt" in tape.texts):
        differs = f"{SYNCED}No differences\nrc=0\n"
    for argv, text in ((file_parity.STATUS, said), (file_parity.DIFF, differs)):
        if text is not None:
            body, _, status = text.rstrip("\n").rpartition("rc=")
            tape.programs[argv] = (int(status or 0), body, "")


def _mounted(text: str) -> str:
    """Give the mount table that findmnt prints as JSON, with the root that it leaves out."""
    body = text.rpartition("}")[0] + "}"
    try:
        rows = json.loads(body)["filesystems"]
    except (ValueError, KeyError):
        return ""
    found = ["/dev/vda / ext4 rw 0 0"]
    while rows:
        row = rows.pop(0)
        rows.extend(row.get("children", []))
        if row["target"] != "/":
            found.append(f"{row['source']} {row['target']} {row['fstype']} {row['options']} 0 0")
    return "".join(f"{line}\n" for line in found)


def _smart(tape: Tape) -> None:
    """Answer for each drive under every name and type it may be asked by."""
    tape.program(discovery.COMMAND, "smartctl-scan-open.json")
    recorded: dict[str, str] = {}
    for name in sorted(tape.texts):  # "-a-" before "-x-", which has more pages and comes last
        if re.fullmatch(r"smartctl-[ax]-.+\.json", name):
            recorded[re.sub(r"smartctl-[ax]-(.+)\.json", r"\1", name)] = name
    scanned: list[dict[str, str]] = []
    for short, name in recorded.items():
        try:
            device = json.loads(tape.text(name) or "").get("device", {})
        except ValueError:
            device = {}
        node = device.get("name") or f"/dev/{short}"
        kind = device.get("type") or "auto"
        scanned.append({"name": node, "type": kind})
        for asked in {node, f"/dev/{short}"}:
            for how in {"auto", "sat", "scsi", "nvme", kind}:
                target = DriveTarget(node=asked, device_type=how)
                for deep in (False, True):  # what was recorded is all there is, asked either way
                    tape.program(command(target, deep=deep), name)
    if scanned and discovery.COMMAND not in tape.programs:  # a step that only asked the drives
        scan = {"smartctl": {"exit_status": 0}, "devices": scanned}
        tape.programs[discovery.COMMAND] = (0, json.dumps(scan), "")


def _journal(tape: Tape) -> None:
    tape.program(journal_command(None), "journal-kernel.jsonl")
