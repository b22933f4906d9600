"""The record of a burn-in on disk: whole or not at all, and one burn-in for each drive.

The file is written beside itself, brought to the disk, and put in place by renaming, so that a
power cut leaves the old one or the new one (rename(2), fsync(2)). A lock on a file of its own keeps
a second burn-in of the same drive out, and goes by itself when we are killed (flock(2)).
"""

from __future__ import annotations

import fcntl
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from watcher.facts.identity import DriveId
from watcher.recovery.proving import PROOF_FORMAT, Proof
from watcher.store.codec import Form
from watcher.store.errors import StoreDamaged
from watcher.store.new_file import open_new

FOLDER: Final = "proofs"
FOLDER_MODE: Final = 0o750
FILE_MODE: Final = 0o640

_PROOF: Final = Form[Proof](Proof)
_NOT_WORD: Final = re.compile(r"[^0-9A-Za-z.+-]+")


class AlreadyProving(Exception):
    """Another burn-in of this drive runs now."""


class RecordUnusable(Exception):
    """The record of an earlier burn-in cannot be read; the sentence says why."""


class ProofFile:
    """The record of the burn-in of one drive."""

    def __init__(self, state_directory: Path, drive: DriveId) -> None:
        """Name the files; nothing is touched yet."""
        self.folder = state_directory / FOLDER
        self.stem = _NOT_WORD.sub("_", drive)[:120]
        self.path = self.folder / f"{self.stem}.json"

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Keep other burn-ins of this drive out. Raises AlreadyProving when one runs."""
        self.folder.mkdir(mode=FOLDER_MODE, parents=True, exist_ok=True)
        lock = os.open(
            self.folder / f"{self.stem}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE_MODE
        )
        try:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                raise AlreadyProving from error
            yield
        finally:
            os.close(lock)

    def read(self) -> Proof | None:
        """Give the record, or None when there is none. Raises RecordUnusable."""
        try:
            text = self.path.read_text(encoding="utf-8")
        except FileNotFoundError:
            return None
        except (OSError, UnicodeDecodeError) as error:
            raise RecordUnusable(f"{self.path} cannot be read ({error})") from error
        try:
            proof = _PROOF.read(text, f"the record {self.path}")
        except StoreDamaged as error:
            raise RecordUnusable(f"{self.path} does not make sense") from error
        if proof.format > PROOF_FORMAT:
            raise RecordUnusable(f"{self.path} was written by a newer midwatch")
        return proof

    def save(self, proof: Proof) -> None:
        """Put the record in place, on the disk when this returns. OSError when it cannot be."""
        self.write(self.path, _PROOF.write(proof))

    def write(self, path: Path, text: str) -> None:
        """Put a text in place, whole or not at all."""
        beside = path.with_name(f".{path.name}.new")
        beside.unlink(missing_ok=True)
        file = open_new(beside, FILE_MODE)
        try:
            content = text.encode("utf-8")
            while content:
                content = content[os.write(file, content) :]
            os.fsync(file)
        finally:
            os.close(file)
        beside.replace(path)
        folder = os.open(self.folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def put_aside(self, word: str) -> None:
        """Keep a finished record under a name with a word, so that a new one can begin."""
        if self.path.exists():
            self.path.replace(self.path.with_name(f"{self.stem}.{word}.json"))
