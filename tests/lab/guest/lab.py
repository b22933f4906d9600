"""A guest with arrays and the service, and the people of its messages on this machine."""

from __future__ import annotations

import json
import shlex
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from email.header import decode_header, make_header
from pathlib import Path
from typing import Any

import pytest

from tests.lab.guest.machine import HOST, Disk, Guest
from tests.lab.guest.ready import CannotBuild, Ready, ready, why_not
from tests.lab.receivers import Hook, Mailbox, free_port, mail_server, wait_until, web_server

LACKING = why_not()
NEEDS_GUEST = [
    pytest.mark.lab,
    pytest.mark.skipif(LACKING is not None, reason=f"a guest machine {LACKING}"),
]
"""Marks of tests that boot a guest."""

SETTINGS = """
box_name: attic
survey:
  every_minutes: 1
cases:
  settle_minutes: 0
  gather_seconds: 0
digest:
  weekdays: []
rules:
  off:
    - rule: flash-reserve-low  # QEMU's NVMe drives say that they have no reserve at all
people:
  - name: ada
    targets:
      - name: mail
        url: "mailto://{host}:{mail}/?from=watch@attic.example&to=ada@attic.example&mode=insecure"
      - name: hook
        url: "json://{host}:{hook}/"
"""
TOLD_SECONDS = 300
"""How long a message may take: a look of the emulated machine takes some 20 s where others work."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lab:
    """The running guest, and who receives its messages."""

    guest: Guest
    box: Mailbox
    hook: Hook
    disks: dict[str, Disk]
    unit: str = "midwatch"  # of the watch: its name differs where it runs in halves

    def subjects(self) -> list[str]:
        """Give the subjects of all mails."""
        return [str(make_header(decode_header(mail["Subject"]))) for mail in self.box.mails]

    def look(self) -> None:
        """Ask the service for a look now."""
        self.guest.run(f"systemctl kill --signal=HUP --kill-who=main {self.unit}")

    def told(self, how: str, of: str, *, seconds: float = TOLD_SECONDS) -> bool:
        """Wait for a message that begins with a word and speaks of something.

        What happens at the same moment may come in one message, so its text counts too.
        """
        return wait_until(
            lambda: any(
                post["title"].startswith(how) and of in post["title"] + post["message"]
                for _, post in self.hook.posts
            ),
            seconds,
        )

    def midwatch(self, words: str) -> Any:
        """Run a command of midwatch in the guest that answers in JSON."""
        return json.loads(self.guest.out(f"midwatch {words} --json", seconds=300))

    def why(self) -> str:
        """Tell what happened, for the reader of a failed test."""
        journal = self.guest.out("journalctl -u 'midwatch*' -o cat --no-pager | tail -40")
        return f"{self.subjects()}\n{journal}"


def drives(folder: Path) -> dict[str, Disk]:
    """Invent the drives of the machine."""
    kinds = (("a", "sata", "PLOUGH", 0x100, 4), ("s", "sas", "HARROW", 0x200, 6))
    made = [
        Disk(
            name=f"{letter}{number}",
            bus=bus,
            serial=f"{serial}{number:04}",
            wwn=0x5A0B0C0000000000 + base + number,
            file=folder / f"{letter}{number}.img",
            bytes=160 << 20,
        )
        for letter, bus, serial, base, count in kinds
        for number in range(count)
    ]
    made.append(Disk(name="n0", bus="nvme", serial="FURROW0000", file=folder / "n0.img"))
    return {disk.name: disk for disk in made}


def by_id(disk: Disk) -> str:
    """Give the name under which a drive is found whatever its letter."""
    return f"/dev/disk/by-id/wwn-{disk.wwn:#x}"


def ready_or_skip() -> Ready:
    """Give what a guest is started from; skips the tests where it cannot be built."""
    try:
        return ready()
    except CannotBuild as fault:
        pytest.skip(f"a guest machine could not be built: {fault}")


@contextmanager
def receivers() -> Iterator[tuple[Mailbox, Hook, str]]:
    """Receive mail and web hooks on this machine; gives the settings that lead there."""
    box, hook, port = Mailbox(), Hook(), free_port()
    with mail_server(box, port), web_server(hook) as hook_port:
        yield box, hook, SETTINGS.format(host=HOST, mail=port, hook=hook_port)


UNPACK = "mkdir -p /root/parcel && tar -C /root/parcel -xf /dev/vdb"
INSTALL = "bash /root/parcel/systemd/install.sh --wheels /root/parcel/wheels"
"""In the guest: midwatch's own script, from the parcel, with no network."""


def write_settings(guest: Guest, settings: str) -> None:
    """Write the settings file."""
    guest.run(
        "install -d -m 0750 /etc/midwatch && "
        f"printf %s {shlex.quote(settings)} > /etc/midwatch/midwatch.yaml"
    )


def make_orchard(guest: Guest, disks: dict[str, Disk]) -> None:
    """Make a RAID5 of three drives, with a bitmap."""
    three = " ".join(by_id(disks[f"a{n}"]) for n in range(3))
    guest.run(
        "modprobe -a raid456 btrfs dm-raid; "
        "mdadm --create /dev/md0 --run --assume-clean --level=5 --raid-devices=3 "
        f"--bitmap=internal --homehost=attic --name=orchard {three} 2>&1"
    )
