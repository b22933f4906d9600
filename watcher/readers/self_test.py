"""Starting and breaking off a drive's own extended self-test.

Program: ``smartctl -t long -d TYPE NODE`` and ``smartctl -X -d TYPE NODE`` of smartmontools 7.0 and
up. The drive runs the test by itself, beside its ordinary work, for hours; nothing on it changes.
The exit status is a bit field (smartctl(8)): bits 0 to 2 say that the command did not reach the
drive or was refused; the others speak of the drive's health and are not about the command.

Traps: without ``-t force`` a running test is not broken off but the command is refused, which is
what we want. A host reset or power-off breaks a test off; the log then says so. Virtual disks and
many USB bridges have no self-test.
"""

from __future__ import annotations

from watcher.readers.drive_target import DriveTarget
from watcher.readers.host import Ended, Host, Ran

LIMIT_SECONDS = 60.0

_NOT_DONE = 0x07
"""Bits 0 to 2: command line, open, command failed."""


def start_command(target: DriveTarget) -> tuple[str, ...]:
    """Give the arguments that start an extended self-test."""
    return ("smartctl", "-t", "long", "-d", target.device_type, target.node)


def stop_command(target: DriveTarget) -> tuple[str, ...]:
    """Give the arguments that break a self-test off."""
    return ("smartctl", "-X", "-d", target.device_type, target.node)


def refusal_of(ran: Ran) -> str:
    """Say why a command did not do what was asked; "" when it did."""
    if ran.ended is Ended.MISSING:
        return "smartctl is not installed (package smartmontools)."
    if ran.ended is not Ended.EXITED:
        return "smartctl gave no answer."
    if not ran.status & _NOT_DONE:
        return ""
    lines = [line.strip() for line in (ran.stdout + ran.stderr).splitlines() if line.strip()]
    said = [line for line in lines if not line.startswith(("smartctl ", "Copyright"))]
    return said[-1] if said else f"smartctl ended with status {ran.status}."


def start_self_test(host: Host, target: DriveTarget) -> str:
    """Start an extended self-test; the reason when it did not start, "" when it did."""
    return refusal_of(
        host.run(start_command(target), limit_seconds=LIMIT_SECONDS, lane=target.lane)
    )


def stop_self_test(host: Host, target: DriveTarget) -> str:
    """Break a self-test off; the reason when that did not work, "" when it did."""
    return refusal_of(host.run(stop_command(target), limit_seconds=LIMIT_SECONDS, lane=target.lane))
