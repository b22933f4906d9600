"""Invented drives for the real daemon, and a smartctl that knows them."""

from __future__ import annotations

import os
from pathlib import Path

from tests.readers.drive_samples import ata_answer, ata_document, program


class Shelf:
    """Invented drives, and a smartctl that knows them."""

    def __init__(self, folder: Path, count: int) -> None:
        self.folder = folder / "shelf"
        self.folder.mkdir()
        self.count = count
        for number in range(count):
            document = ata_document(serial=f"S{number:03}")
            document["wwn"]["id"] = number
            (self.folder / f"x{number:03}").write_text(ata_answer(document), encoding="utf-8")
        self.install()

    def install(self, body: str | None = None) -> None:
        """Put a smartctl there; by default the good one."""
        scan = '{"smartctl":{"version":[7,3],"exit_status":0,"output":[]},"devices":[]}'
        good = (
            f"case \"$*\" in *--scan*) echo '{scan}'; exit 0;; esac\n"
            f"for last; do :; done; exec cat {self.folder}/${{last##*/}}"
        )
        program(self.folder, "smartctl", good if body is None else body)

    @property
    def environ(self) -> dict[str, str]:
        return {"PATH": f"{self.folder}{os.pathsep}{os.environ['PATH']}"}

    @property
    def settings(self) -> str:
        rows = (f"  - node: /dev/x{n:03}\n    device_type: sat" for n in range(self.count))
        return "\n".join(rows)
