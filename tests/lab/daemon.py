"""The real daemon: ``midwatch watch`` as a process, asked to look by SIGHUP."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


class Daemon:
    """One running ``midwatch watch``; what it prints is kept."""

    def __init__(self, config: Path, *, environ: Mapping[str, str] | None = None) -> None:
        self.config = config
        self.lines: list[str] = []
        self.process = subprocess.Popen(
            [sys.executable, "-m", "watcher.cli", "--config", str(config), "watch"],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1", **(environ or {})},
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))

    @property
    def text(self) -> str:
        return "\n".join(self.lines)

    def look(self) -> None:
        """Ask for a look now."""
        self.process.send_signal(signal.SIGHUP)

    def stop(self) -> int:
        """Ask it to end, and give its exit status."""
        self.process.send_signal(signal.SIGTERM)
        status = self.process.wait(60)
        self._close()
        return status

    def kill(self) -> None:
        """Kill it at once."""
        self.process.kill()
        self.process.wait()
        self._close()

    def _close(self) -> None:
        self._reader.join(10)
        if self.process.stdout is not None:
            self.process.stdout.close()


def midwatch(config: Path, *words: str, check: bool = True) -> str:
    """Run a command and give what it printed."""
    done = subprocess.run(
        [sys.executable, "-m", "watcher.cli", "--config", str(config), *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    if check and done.returncode not in {0, 10, 11}:
        raise RuntimeError(f"midwatch {words}: {done.returncode}: {done.stdout}{done.stderr}")
    return done.stdout + done.stderr


def cases_of(config: Path) -> list[dict[str, Any]]:
    """Give all cases as the command tells them to programs."""
    cases: list[dict[str, Any]] = json.loads(midwatch(config, "cases", "--all", "--json"))
    return cases
