"""What a box knows of its hub: address, its name there, its token. A file for its owner only."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from pathlib import Path

from watcher.store.new_file import open_new

FILE = "hub.json"
JOINING = "hub-joining.json"
"""While joining: what holds until then stays untouched until the hub has said yes."""
MODE = 0o600


@dataclass(frozen=True, slots=True, kw_only=True)
class Credentials:
    """How this box is known at its hub."""

    url: str
    box: str  # "" while joining
    client: str = ""
    token: str = field(repr=False)
    next_token: str = field(default="", repr=False)  # asked for, not yet used
    mask_key: str = field(default="", repr=False)


def load(folder: Path, name: str = FILE) -> Credentials | None:
    """Read the file, or None where there is none. Raises ValueError when it cannot be had."""
    try:
        told = json.loads((folder / name).read_text("utf-8"))
    except FileNotFoundError:
        return None
    except OSError as error:
        raise ValueError(f"{folder / name} cannot be read ({error.strerror}).") from error
    except ValueError:
        told = None
    keys = ("url", "box", "client", "token", "next_token", "mask_key")
    if not isinstance(told, dict) or not all(isinstance(told.get(n), str) for n in keys):
        raise ValueError(f"{folder / name} makes no sense: join the hub again.")
    return Credentials(**{key: told[key] for key in keys})


def save(folder: Path, known: Credentials, name: str = FILE) -> None:
    """Write the file so that it is the old one or the new one, whenever we are killed.

    When this returns it is the new one after a power cut, too: the hub forgets an old token as soon
    as the next one was used.
    """
    told = {
        "url": known.url,
        "box": known.box,
        "client": known.client,
        "token": known.token,
        "next_token": known.next_token,
        "mask_key": known.mask_key,
    }
    beside = folder / f"{name}.new"
    beside.unlink(missing_ok=True)
    with os.fdopen(open_new(beside, MODE), "w", encoding="utf-8") as file:
        json.dump(told, file)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(folder / name)
    place = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(place)  # rename(2) alone is not on the disk yet
    finally:
        os.close(place)
