"""Where fuzzing begins: outputs of our own runs and small files of our own making.

``python -m tests.fuzz.seeds FOLDER`` writes them, one folder for each target.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from tests.fuzz.targets import NOW, signed_link
from tests.readers.pools.test_btrfs_parse import CHUNKS
from watcher.demo.story import BOX, new_box
from watcher.facts.survey import Survey
from watcher.hub.telling import pack_told
from watcher.hub.wire import Parcel, pack
from watcher.readers import archive
from watcher.readers.kernel_log import Position
from watcher.readers.survey import Looking, Surveyor
from watcher.service.half_words import (
    Busy,
    Failed,
    Listen,
    Look,
    Seen,
    write_answer,
    write_request,
)

TESTS = Path(__file__).resolve().parents[1]
STEPS = TESTS / "lab" / "steps"
DRIVES = TESTS / "readers" / "drives"
CONFIG = TESTS.parent / "config"

BY_NAME = (
    ("mdstat", "mdstat.txt"),
    ("md-sysfs", "sysfs-md.txt"),
    ("md-export", "mdadm-detail-export.txt"),
    ("lvm-volumes", "lvs-full.json"),
    ("lvm-devices", "pvs.json"),
    ("lvm-status", "dmsetup-status.txt"),
    ("lsblk", "lsblk.json"),
    ("journal", "journal-kernel.jsonl"),
    ("btrfs-show", "fi-show-raw.txt"),
    ("btrfs-usage", "fi-usage.txt"),
    ("btrfs-stats", "device-stats.txt"),
    ("btrfs-scrub", "scrub-status.txt"),
    ("btrfs-replace", "replace-status.txt"),
    ("btrfs-balance", "balance-status.txt"),
    ("mounts", "proc-mounts.txt"),
    ("zpool-text", "zpool-status.txt"),
    ("zpool-json", "zpool-status.json"),
    ("parity-status", "status.txt"),
    ("parity-changes", "diff.txt"),
)


def _said(rows: object) -> bytes:
    return ("\n".join(rows) + "\n" if isinstance(rows, list) else str(rows)).encode()


def seeds() -> Iterator[tuple[str, bytes]]:
    """Give the name of a target and an input for it."""
    yield from _from_steps()
    yield from _from_drives()
    yield from _from_settings()
    yield from _small()
    yield from _surveys()


def _from_steps() -> Iterator[tuple[str, bytes]]:
    for path in sorted(STEPS.glob("*.json")):
        for step in json.loads(path.read_text(encoding="utf-8")).values():
            for name, rows in step.items():
                for target in (target for target, ending in BY_NAME if name.endswith(ending)):
                    yield target, _said(rows)
                if name.startswith("zpool-status"):
                    kind = "json" if name.endswith(".json") else "text"
                    yield f"zpool-{kind}", _said(rows)
                if name == "journal-kernel.jsonl":
                    yield from _messages(rows)


def _messages(rows: list[str]) -> Iterator[tuple[str, bytes]]:
    texts = [str(json.loads(row).get("MESSAGE")) for row in rows if row[:1] == "{"]
    yield "kernel-lines", "\n".join(f"kernel: {text}" for text in texts).encode()
    yield "kernel-block", "\n".join(f"[    1.5] {text}" for text in texts).encode()
    records = (f"3,{number},{number}000,-;{text}" for number, text in enumerate(texts))
    yield "kmsg", "\0".join(records).encode()


def _from_drives() -> Iterator[tuple[str, bytes]]:
    for path in sorted(DRIVES.iterdir()):
        kind = {".json": "smartctl-json", ".txt": "smartctl-text"}.get(path.suffix)
        kind = next((k for k in ("lsblk", "scan") if path.name.startswith(k)), kind)
        if kind is not None:
            yield kind, path.read_bytes()


def _from_settings() -> Iterator[tuple[str, bytes]]:
    """Each example as it is, and with all that is commented out in use."""
    for path in sorted(CONFIG.glob("*.yaml")):
        lines = path.read_text(encoding="utf-8").split("\n")
        used = (line.removeprefix("#") for line in lines if not line.startswith("##"))
        yield "settings", "\n".join(lines).encode()
        yield "settings", "\n".join(used).encode()


LAST_SEEN = b"WARNING: Device for PV EcyIzy-gA1r-u5is-gjs0 last seen on /dev/sdb not found.\n"


def _small() -> Iterator[tuple[str, bytes]]:
    yield "btrfs-chunks", CHUNKS.encode()
    yield "lvm-last-seen", LAST_SEEN
    yield "recorded-days", b"date,serial_number,model,failure,smart_5_raw\n2026-01-01,A,M,0,7\n"
    yield "archive", archive.pack({"a/b": b"text", "c": b""}, NOW)
    yield "box-file", archive.pack({"manifest.json": b'{"format":"","version":1}'}, NOW)
    yield "link", signed_link()
    yield "position", Position(source="journal", cursor="s=1").to_text().encode()
    yield "parity-layout", b"parity /p/a,/p/b\n2-parity /q\ncontent /c\ndata d1 /mnt/d1/\n"
    yield "joining", b'{"wire":1,"code":"abc","box":"attic","token_hash":"00","every_seconds":600}'
    told = json.loads((TESTS / "hub" / "parcels" / "telling-1.json").read_text())
    yield "telling", pack_told(told)
    yield "hub-answer", b'{"wire":1,"taken":"s","look":false,"renew":false}'


def _surveys() -> Iterator[tuple[str, bytes]]:
    box = new_box()
    taken = Surveyor(box, Looking(box=BOX)).take("s", box.now)
    packed = pack(Parcel(sender="s", every_seconds=600, survey=taken.survey))
    yield "parcel", packed
    yield "parcel-packed", packed
    yield "half-request", write_request(Look(survey="s", now=NOW, pools=taken.survey.pools))[4:]
    yield "half-answer", write_answer(Seen(taken=taken))[4:]
    small = replace(taken, survey=Survey(survey="s", box=BOX, taken_at=NOW, answered=("md",)))
    for answer in (Busy(), Failed(sentence="no"), Seen(taken=small)):
        yield "half-answer", write_answer(answer)[4:]
    yield "half-request", write_request(Look(survey="s", now=NOW))[4:]
    yield "half-request", write_request(Listen())[4:]
    parcel = Parcel(sender="s", every_seconds=600, survey=small.survey)
    yield "parcel", pack(parcel)
    yield "hub-answer", b'{"wire":1,"why":"newer","sentence":"no"}'
    yield "hub-answer", b"<html>"


def write(folder: Path) -> None:
    """Write all seeds."""
    counts: dict[str, int] = {}
    for target, body in seeds():
        counts[target] = counts.get(target, 0) + 1
        place = folder / target
        place.mkdir(parents=True, exist_ok=True)
        (place / f"seed-{counts[target]:03}").write_bytes(body)
    for target, count in sorted(counts.items()):
        print(f"{target:16} {count:4}")


if __name__ == "__main__":
    write(Path(sys.argv[1]))
