"""Talking to systemd: ready, alive, stopping. Nothing happens where systemd did not ask.

Protocol: sd_notify(3), a datagram to the socket named in NOTIFY_SOCKET ("@" begins an abstract
name). Watchdog: sd_watchdog_enabled(3), WATCHDOG_USEC microseconds for the process WATCHDOG_PID;
"alive" is said only after a complete round, so a loop that turns without working is restarted.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Supervisor:
    """The supervisor that started this process, or none."""

    address: str = ""  # "" when nobody asked
    watchdog_seconds: float | None = None  # silence longer than this gets the process killed

    @classmethod
    def from_environment(cls, environ: Mapping[str, str], pid: int) -> Supervisor:
        """Read what systemd put into the environment."""
        address = environ.get("NOTIFY_SOCKET", "")
        if address[:1] not in {"/", "@"}:
            address = ""
        microseconds = environ.get("WATCHDOG_USEC", "")
        for_us = environ.get("WATCHDOG_PID", str(pid)) == str(pid)
        seconds = int(microseconds) / 1e6 if microseconds.isdigit() and for_us else None
        return cls(address=address, watchdog_seconds=seconds or None)

    def say(self, *words: str) -> bool:
        """Send ``NAME=value`` words; False when nobody asked or nobody listens."""
        if not self.address:
            return False
        target = "\0" + self.address[1:] if self.address[0] == "@" else self.address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
            sock.settimeout(1)
            try:
                sock.sendto("\n".join(words).encode(), target)
            except OSError:
                return False
        return True

    def ready(self, status: str) -> bool:
        """Say that the service works."""
        return self.say("READY=1", f"STATUS={status}")

    def alive(self, status: str) -> bool:
        """Say that a complete round was made."""
        return self.say("WATCHDOG=1", f"STATUS={status}")

    def stopping(self) -> bool:
        """Say that the service ends."""
        return self.say("STOPPING=1")


def ours() -> Supervisor:
    """Give the supervisor of this process."""
    return Supervisor.from_environment(os.environ, os.getpid())
