"""A simulated box: programs and files of a machine that does not exist.

It answers the same questions as a real one (``lsblk``, ``smartctl``, ``journalctl``, /proc and
/sys), so the readers and everything behind them are the real ones. Nothing of the machine it runs
on is touched.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from watcher.demo.drives import SimDrive
from watcher.readers.host import Ended, Ran

KIB = 1024
_USED_SINCE = datetime(2026, 1, 1, tzinfo=UTC)


@dataclass(slots=True)
class SimSeat:
    """One place in a simulated array."""

    slot: int
    letter: str | None  # of the drive in it; None: empty
    in_step: bool = True
    number: int = 0  # md's own number of the device


@dataclass(slots=True)
class SimArray:
    """One simulated software array."""

    node: str  # "md0"
    label: str
    level: str  # "raid6", "raid1"
    uuid: str
    member_kib: int
    seats: list[SimSeat]
    rebuilt_kib: int | None = None  # how far a rebuild is; None: none runs
    rebuild_kib_per_second: int = 0
    checked_kib: int | None = None  # how far a check is; None: none runs
    mismatch: int = 0

    @property
    def bears(self) -> int:
        """How many members it can lose."""
        return {"raid6": 2, "raid5": 1, "raid1": len(self.seats) - 1}[self.level]

    @property
    def work_kib(self) -> int | None:
        """How far the rebuild or the check is that runs; None: neither does."""
        return self.rebuilt_kib if self.rebuilt_kib is not None else self.checked_kib

    @property
    def good(self) -> int:
        """How many members are in step."""
        return sum(1 for seat in self.seats if seat.letter and seat.in_step)


@dataclass
class SimBox:
    """A machine that does not exist; implements ``readers.host.Host``."""

    name: str
    now: datetime
    drives: dict[str, SimDrive] = field(default_factory=dict)  # by letter
    arrays: list[SimArray] = field(default_factory=list)
    log: list[tuple[datetime, str]] = field(default_factory=list)
    spare_hand: SimDrive | None = None  # pulled, and in the owner's hand
    goes_on: Callable[[SimBox], None] | None = None  # what time brings on: a rebuild

    # ------------------------------------------------------------- what the story does to it

    def say(self, line: str) -> None:
        """Let the kernel say something now."""
        self.log.append((self.now, line))

    def pull(self, letter: str) -> SimDrive:
        """Take a drive out of the box; its array notices."""
        drive = self.drives.pop(letter)
        self.say(f"sd {ord(letter) - 97}:0:0:0: [sd{letter}] Synchronizing SCSI cache")
        self.say(f"ata{ord(letter) - 96}.00: disable device")
        for array in self.arrays:
            for seat in array.seats:
                if seat.letter == letter:
                    seat.letter = None
                    seat.in_step = False
                    operational = array.good
                    prefix = f"md/{array.level if array.level == 'raid1' else 'raid'}:{array.node}"
                    self.say(f"{prefix}: Disk failure on sd{letter}, disabling device.")
                    self.say(f"{prefix}: Operation continuing on {operational} devices.")
        return drive

    def plug(self, drive: SimDrive) -> None:
        """Put a drive into the box; no array takes it by itself."""
        self.drives[drive.letter] = drive
        blocks = drive.capacity_bytes // 512
        self.say(
            f"sd {ord(drive.letter) - 97}:0:0:0: [sd{drive.letter}] {blocks} 512-byte logical "
            f"blocks: ({drive.capacity_bytes / 1e12:.2f} TB)"
        )

    def add(self, node: str, letter: str, kib_per_second: int) -> None:
        """Give an array a drive for its empty place; it begins to rebuild."""
        array = self.array(node)
        seat = next(seat for seat in array.seats if seat.letter is None)
        seat.letter = letter
        seat.in_step = False
        seat.number = max(s.number for s in array.seats) + 1
        array.rebuilt_kib = 0
        array.rebuild_kib_per_second = kib_per_second
        self.say(f"md: recovery of RAID array {node}")

    def readd(self, node: str, letter: str) -> None:
        """Give an array back a drive that was out for a moment: its bitmap makes that short."""
        array = self.array(node)
        seat = next(seat for seat in array.seats if seat.letter is None)
        seat.letter = letter
        seat.in_step = True

    def finish(self, node: str) -> None:
        """End a rebuild well."""
        array = self.array(node)
        for seat in array.seats:
            seat.in_step = seat.letter is not None
        array.rebuilt_kib = None
        self.say(f"md: {node}: recovery done.")

    def check(self, node: str) -> None:
        """Begin to read and compare everything."""
        self.array(node).checked_kib = 0
        self.say(f"md: data-check of RAID array {node}")

    def end_check(self, node: str) -> None:
        """End a check well."""
        self.array(node).checked_kib = None
        self.say(f"md: {node}: data-check done.")

    def array(self, node: str) -> SimArray:
        """Give an array by its node."""
        return next(array for array in self.arrays if array.node == node)

    # ---------------------------------------------------------------------- the door of a host

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        """Answer a program that the readers know; anything else is not installed here."""
        del lane
        words = tuple(argv)
        program = words[0].rsplit("/", 1)[-1]
        if program == "lsblk":
            return self._ran(words, self._lsblk())
        if program == "journalctl":
            return self._ran(words, self._journal(words))
        if program == "smartctl" and "--scan-open" in words:
            lines = [f"{d.node} -d sat # {d.node} [SAT], ATA device" for d in self._ordered()]
            if any(word.startswith(("--json", "-j")) for word in words):
                devices = [
                    {"name": d.node, "info_name": d.node, "type": "sat", "protocol": "ATA"}
                    for d in self._ordered()
                ]
                document = {
                    "smartctl": {"version": [7, 4], "output": lines, "exit_status": 0},
                    "devices": devices,
                }
                return self._ran(words, json.dumps(document))
            return self._ran(words, "\n".join(lines) + "\n")
        if program == "smartctl":
            return self._smartctl(words, limit_seconds)
        return Ran(argv=words, ended=Ended.MISSING, status=127)

    def read_text(self, path: str) -> str:
        """Give a file; FileNotFoundError when there is none."""
        files = self._files()
        if path in files:
            return files[path]
        raise FileNotFoundError(path)

    def list_dir(self, path: str) -> tuple[str, ...]:
        """Name what lies in a folder; FileNotFoundError when there is none."""
        prefix = path.rstrip("/") + "/"
        names = {
            name[len(prefix) :].split("/", 1)[0]
            for name in (*self._files(), *self._links())
            if name.startswith(prefix)
        }
        if not names:
            raise FileNotFoundError(path)
        return tuple(sorted(names))

    def real_path(self, path: str) -> str:
        """Follow a link."""
        return self._links().get(path, path)

    def exists(self, path: str) -> bool:
        """Tell whether there is something at a path."""
        if path in self._files() or path in self._links():
            return True
        return any(name.startswith(path.rstrip("/") + "/") for name in self._files())

    # ---------------------------------------------------------------------------- what it says

    def _ordered(self) -> list[SimDrive]:
        return [self.drives[letter] for letter in sorted(self.drives)]

    def _ran(self, words: tuple[str, ...], text: str) -> Ran:
        return Ran(argv=words, ended=Ended.EXITED, status=0, stdout=text)

    def _smartctl(self, words: tuple[str, ...], limit_seconds: float) -> Ran:
        drive = next((d for d in self._ordered() if d.node == words[-1]), None)
        if drive is None:
            text = f"Smartctl open device: {words[-1]} failed: No such device"
            document = {
                "smartctl": {
                    "version": [7, 4],
                    "argv": list(words),
                    "messages": [{"string": text, "severity": "error"}],
                    "output": [text],
                    "exit_status": 2,
                }
            }
            return Ran(argv=words, ended=Ended.EXITED, status=2, stdout=json.dumps(document))
        if drive.hangs:
            return Ran(argv=words, ended=Ended.TIMED_OUT, seconds=limit_seconds)
        return self._ran(words, drive.answer(words))

    def _lsblk(self) -> str:
        devices = []
        for drive in self._ordered():
            entry: dict[str, object] = {
                "name": drive.name,
                "kname": drive.name,
                "pkname": None,
                "path": drive.node,
                "type": "disk",
                "size": drive.capacity_bytes,
                "model": drive.model,
                "serial": drive.serial,
                "wwn": drive.wwn_text,
                "tran": "sata",
                "rota": True,
                "rm": False,
                "log-sec": 512,
                "phy-sec": 4096,
                "hctl": f"{ord(drive.letter) - 97}:0:0:0",
            }
            home = next(
                (a for a in self.arrays if any(s.letter == drive.letter for s in a.seats)), None
            )
            if home is not None:
                entry["fstype"] = "linux_raid_member"
                entry["children"] = [
                    {
                        "name": home.node,
                        "kname": home.node,
                        "pkname": drive.name,
                        "path": f"/dev/{home.node}",
                        "type": home.level,
                        "size": self._usable_kib(home) * KIB,
                        "fstype": "ext4",
                        "label": home.label,
                    }
                ]
            devices.append(entry)
        return json.dumps({"blockdevices": devices})

    def _usable_kib(self, array: SimArray) -> int:
        count = len(array.seats) - array.bears
        return array.member_kib * count

    def _journal(self, words: tuple[str, ...]) -> str:
        cursor = next((w.split("=", 1)[1] for w in words if w.startswith("--cursor=")), "i=0")
        begin = int(cursor.rpartition("i=")[2] or "0") - 1  # the entry at the cursor comes again
        since = next((w.split("=", 1)[1] for w in words if w.startswith("--since=")), "")
        lines = []
        for index, (at, text) in enumerate(self.log, start=1):
            if index <= begin or (since.startswith("@") and at.timestamp() < float(since[1:])):
                continue
            entry = {
                "__CURSOR": f"s=demo;i={index}",
                "__REALTIME_TIMESTAMP": str(int(at.timestamp() * 1_000_000)),
                "_TRANSPORT": "kernel",
                "SYSLOG_IDENTIFIER": "kernel",
                "PRIORITY": "3",
                "MESSAGE": text,
            }
            lines.append(json.dumps(entry))
        return "\n".join(lines) + ("\n" if lines else "")

    def _mdstat(self) -> str:
        lines = ["Personalities : [raid1] [raid6] [raid5] [raid4] "]
        for array in self.arrays:
            names = " ".join(
                f"sd{seat.letter}[{seat.number}]"
                for seat in sorted(array.seats, key=lambda s: -s.number)
                if seat.letter
            )
            marks = "".join("U" if s.letter and s.in_step else "_" for s in array.seats)
            lines.append(f"{array.node} : active {array.level} {names}")
            shape = f"[{len(array.seats)}/{array.good}] [{marks}]"
            middle = (
                "super 1.2 "
                if array.level == "raid1"
                else f"super 1.2 level {array.level[-1]}, 512k chunk, algorithm 2 "
            )
            lines.append(f"      {self._usable_kib(array)} blocks {middle}{shape}")
            done = array.work_kib
            if done is not None:
                word = "recovery" if array.rebuilt_kib is not None else "check"
                share = done / array.member_kib
                speed = max(array.rebuild_kib_per_second, 1)
                left = (array.member_kib - done) / speed / 60
                bar = "=" * int(share * 20) + ">"
                lines.append(
                    f"      [{bar:.<21}]  {word} = {share * 100:4.1f}% "
                    f"({done}/{array.member_kib}) finish={left:.1f}min speed={speed}K/sec"
                )
            lines.append("")
        return "\n".join([*lines, "unused devices: <none>", ""])

    def _counted(self) -> str:
        """Give the kernel's counters of a disk in even use: 20 requests a second of 64 KiB."""
        half = int((self.now - _USED_SINCE).total_seconds()) * 10
        return f"{half} 0 {half * 128} {half * 6} {half} 0 {half * 128} {half * 9} 0 0 0\n"

    def _full_hours(self) -> int:
        return (self.now - _USED_SINCE) // timedelta(hours=1)

    def _files(self) -> dict[str, str]:
        files = {"/proc/mdstat": self._mdstat(), "/proc/self/mounts": "", "/proc/mounts": ""}
        files |= {f"/sys/block/{drive.name}/stat": self._counted() for drive in self._ordered()}
        for array in self.arrays:
            base = f"/sys/block/{array.node}/md"
            busy = array.work_kib is not None
            action = "recover" if array.rebuilt_kib is not None else "check" if busy else "idle"
            done = (array.work_kib or 0) * 2
            files |= {
                f"{base}/array_state": "clean\n",
                f"{base}/degraded": f"{len(array.seats) - array.good}\n",
                f"{base}/sync_action": f"{action}\n",
                f"{base}/last_sync_action": "recovery\n",
                f"{base}/sync_completed": (
                    f"{done} / {array.member_kib * 2}\n" if busy else "none\n"
                ),
                f"{base}/sync_speed": (f"{array.rebuild_kib_per_second}\n" if busy else "none\n"),
                f"{base}/mismatch_cnt": f"{array.mismatch}\n",
                f"{base}/raid_disks": f"{len(array.seats)}\n",
                f"{base}/level": f"{array.level}\n",
                f"{base}/layout": "2\n",
                f"{base}/chunk_size": "524288\n",
                f"{base}/metadata_version": "1.2\n",
                f"{base}/component_size": f"{array.member_kib}\n",
                f"{base}/resync_start": "none\n",
                f"{base}/reshape_position": "none\n",
                f"{base}/uuid": f"{array.uuid}\n",
            }
            for seat in array.seats:
                if seat.letter is None:
                    continue
                folder = f"{base}/dev-sd{seat.letter}"
                files |= {
                    f"{folder}/state": "in_sync\n" if seat.in_step else "spare\n",
                    f"{folder}/slot": f"{seat.slot}\n",
                    f"{folder}/errors": "0\n",
                    f"{folder}/recovery_start": "none\n" if seat.in_step else f"{done}\n",
                    f"{folder}/bad_blocks": "",
                    f"{folder}/size": f"{array.member_kib}\n",
                }
        return files

    def _links(self) -> dict[str, str]:
        links = {}
        for array in self.arrays:
            links[f"/dev/disk/by-id/md-uuid-{array.uuid}"] = f"/dev/{array.node}"
            links[f"/dev/disk/by-id/md-name-{self.name}:{array.label}"] = f"/dev/{array.node}"
        for drive in self._ordered():
            port = ord(drive.letter) - 96
            links[f"/sys/block/{drive.name}"] = (
                f"/sys/devices/pci0000:00/0000:00:1f.2/ata{port}/host{port - 1}/"
                f"target{port - 1}:0:0/{port - 1}:0:0:0/block/{drive.name}"
            )
            links[f"/dev/disk/by-id/wwn-{drive.wwn_text}"] = drive.node
        return links

    def pass_time(self, span: timedelta) -> None:
        """Let time pass: drives age, a rebuild goes on."""
        before = self._full_hours()
        self.now += span
        for drive in self.drives.values():
            drive.hours += self._full_hours() - before
        if self.goes_on is not None:
            self.goes_on(self)
