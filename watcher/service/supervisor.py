"""Talking to systemd: ready, alive, stopping. Nothing happens where systemd did not ask.

Protocol: sd_notify(3), a datagram to the socket named in NOTIFY_SOCKET ("@" begins an abstract
name). "Alive" is what its watchdog waits for (systemd.service(5), WatchdogSec=): said only while
rounds are made, so that a loop that turns without working is started anew.
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

    @classmethod
    def from_environment(cls, environ: Mapping[str, str]) -> Supervisor:
        """Read what systemd put into the environment."""
        address = environ.get("NOTIFY_SOCKET", "")
        return cls(address=address if address[:1] in {"/", "@"} else "")

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
        """Say that rounds are made."""
        return self.say("WATCHDOG=1", f"STATUS={status}")

    def stopping(self) -> bool:
        """Say that the service ends."""
        return self.say("STOPPING=1")


def ours() -> Supervisor:
    """Give the supervisor of this process."""
    return Supervisor.from_environment(os.environ)
