"""Everything that takes words from outside, each as a function of bytes, and what it may raise.

A target returns or raises one of its documented errors; anything else is a bug. Bytes become text
as the runner makes it: undecodable ones are replaced.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from watcher.facts.identity import BoxId
from watcher.hub import telling, wire
from watcher.hub.errors import HubError
from watcher.readers import archive, blocks, box_file, discovery, smartctl, smartctl_text
from watcher.readers.errors import CannotParse
from watcher.readers.kernel_explain import read_lines
from watcher.readers.kernel_lines.story import Story
from watcher.readers.kernel_log import Position, parse_journal
from watcher.readers.kernel_prefix import Dating, read_block
from watcher.readers.kernel_raw import parse_kmsg
from watcher.readers.pools import (
    btrfs_parse,
    btrfs_work,
    file_parity_parse,
    lvm_report,
    md_detail,
    md_stat,
    md_sysfs,
    zfs_json,
    zfs_text,
)
from watcher.readers.recorded_days import parse as parse_days
from watcher.service import half_words, links
from watcher.service.errors import ConfigError
from watcher.service.settings import Here, load_text

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
DATING = Dating(now=NOW, booted_at=NOW)
HERE = Here(host_name="attic", zone="UTC", is_root=True, home="/root")
KEY = links.SigningKey(number=1, secret=b"k" * 32, made_at=NOW)


@dataclass(frozen=True)
class Target:
    """A function of bytes, and the errors that are its answer to nonsense."""

    run: Callable[[bytes], object]
    raises: tuple[type[Exception], ...] = ()


def _text(parse: Callable[[str], object]) -> Target:
    return Target(lambda data: parse(data.decode("utf-8", "replace")), (CannotParse,))


def _smartctl(text: str) -> object:
    return smartctl.parse(text, node="/dev/sda", observed_at=NOW)


def _smartctl_text(text: str) -> object:
    return smartctl_text.parse_text(text, node="/dev/sda", observed_at=NOW)


def _array(text: str) -> object:
    """Files as ``name=value`` lines; those of a member begin with ``dev-NAME/``."""
    files = dict(line.split("=", 1) for line in text.split("\n") if "=" in line)
    names = {name.split("/")[0] for name in files if name.startswith("dev-") and "/" in name}
    members = tuple(
        md_sysfs.parse_member(
            name,
            {
                key.partition("/")[2]: value
                for key, value in files.items()
                if key.startswith(name + "/")
            },
        )
        for name in sorted(names)
    )
    return md_sysfs.parse_array(
        {key: value for key, value in files.items() if "/" not in key}, members
    )


def _journal(text: str) -> object:
    return Story().read(parse_journal(text).lines)


def _lines(text: str) -> object:
    return Story().read(read_lines(text, DATING))


def _kmsg(data: bytes) -> object:
    records = data.split(b"\0")
    return parse_kmsg(records, Position(source="kmsg", boot="b", sequence=-1), NOW)


def _settings(text: str) -> object:
    return load_text(text, "midwatch.yaml", {}, here=HERE)


def _link(text: str) -> object:
    """A link that was not signed with the key never opens anything."""
    found = links.check(text, (KEY,), NOW)
    if isinstance(found, links.Link) and links.sign(found, KEY) != text:
        raise AssertionError("a link opened that we would not have made")
    return found


def signed_link() -> bytes:
    """Give a good link, to begin from."""
    return links.sign(links.new_link("ana", BoxId("attic"), 3, NOW), KEY).encode()


TARGETS: dict[str, Target] = {
    "smartctl-json": _text(_smartctl),
    "smartctl-text": _text(_smartctl_text),
    "scan": _text(discovery.parse),
    "lsblk": _text(blocks.parse),
    "mdstat": _text(md_stat.parse_mdstat),
    "md-sysfs": _text(_array),
    "md-export": _text(md_detail.parse_export),
    "lvm-volumes": _text(lvm_report.parse_volumes),
    "lvm-devices": _text(lvm_report.parse_devices),
    "lvm-status": _text(lvm_report.parse_status),
    "lvm-last-seen": _text(lvm_report.parse_last_seen),
    "btrfs-show": _text(btrfs_parse.parse_show),
    "btrfs-usage": _text(btrfs_parse.parse_usage),
    "btrfs-chunks": _text(btrfs_parse.parse_chunks),
    "btrfs-stats": _text(btrfs_work.parse_device_stats),
    "btrfs-scrub": _text(btrfs_work.parse_scrub),
    "btrfs-replace": _text(btrfs_work.parse_replace),
    "btrfs-balance": _text(btrfs_work.parse_balance),
    "mounts": _text(btrfs_work.parse_mounts),
    "zpool-text": _text(zfs_text.parse),
    "zpool-json": _text(zfs_json.parse),
    "parity-layout": _text(file_parity_parse.parse_layout),
    "parity-status": _text(file_parity_parse.parse_report),
    "parity-changes": _text(file_parity_parse.parse_changes),
    "journal": _text(_journal),
    "kernel-lines": _text(_lines),
    "kernel-block": Target(lambda data: read_block(data, DATING)),
    "kmsg": Target(_kmsg),
    "position": _text(Position.from_text),
    "recorded-days": _text(parse_days),
    "archive": Target(lambda data: archive.parse(data, re.compile(r"[a-z/.]+")), (CannotParse,)),
    "box-file": Target(box_file.parse, (CannotParse,)),
    "settings": Target(lambda data: _settings(data.decode("utf-8", "replace")), (ConfigError,)),
    "link": Target(lambda data: _link(data.decode("utf-8", "replace"))),
    "parcel": Target(wire.unpack, (HubError,)),
    "parcel-packed": Target(wire.inflate, (HubError,)),
    "telling": Target(telling.unpack_telling, (HubError,)),
    "joining": Target(wire.unpack_joining, (HubError,)),
    "hub-answer": Target(lambda data: wire.read_answer(200, data), (HubError,)),
    "half-request": Target(half_words.read_request, (half_words.OddWords,)),
    "half-answer": Target(half_words.read_answer, (half_words.OddWords,)),
}


def run(name: str, data: bytes) -> None:
    """Run a target; only what is not documented comes out."""
    target = TARGETS[name]
    try:
        target.run(data)
    except target.raises:
        return
