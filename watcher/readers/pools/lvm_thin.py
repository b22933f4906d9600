"""How full a thin pool of LVM is, and whether it still takes what is written.

Sources: lvmthin(7), "Data space exhaustion" and "Metadata space exhaustion"; lvs(8), attribute 9;
the words of ``lv_health_status`` (``failed``, ``out_of_data``, ``metadata_read_only``) and of
``lv_check_needed`` from memory of lvm2's lib/report/report.c. A full pool lets writes wait for 60 s
and then fails them, or fails them at once; reading goes on. A pool whose metadata needs a check had
an operation on it fail and takes no changes before it is repaired (Linux thin-provisioning.rst,
"needs_check", from memory). The rows of a pool at rest were seen (LVM 2.03.16); none was run at
work.

Trap: the percentages are empty while the pool is not active.
"""

from __future__ import annotations

from collections.abc import Iterator

from watcher.facts.pool import Noted, Protection, Remark
from watcher.readers.pools.lvm_report import Volume
from watcher.readers.pools.shape import unknown_word

FULL = 100
"""Percent. Nothing more can be taken."""

_WORDS = frozenset({"", "partial", "failed", "out_of_data", "metadata_read_only"})
_LETTERS = {"F": "failed", "D": "out_of_data", "M": "metadata_read_only"}
"""lvs(8), attribute 9, related to thin pools: the same once more."""


def _health(volume: Volume) -> str:
    """Give LVM's word for the health of a thin pool; its letter, where the word is lacking."""
    return volume.health or _LETTERS.get(volume.attributes[8], "")


def is_complete(volume: Volume, parts: tuple[Volume, ...]) -> bool:
    """Tell whether the volumes of a thin pool hold both its data and its metadata."""
    return {part.name in volume.devices for part in parts} == {True, False}


def is_at_work(volume: Volume) -> bool:
    """Tell whether a thin pool is active, be it only below its volumes (lvs(8), attribute 5)."""
    return volume.is_active or volume.attributes[4] == "a" or volume.data_percent is not None


def used_bytes(volume: Volume) -> int | None:
    """Give how much of its space for data is used; None when that is not told."""
    if volume.size_bytes is None or volume.data_percent is None:
        return None
    return int(volume.size_bytes * volume.data_percent / FULL)


def thin_notes(volume: Volume, parts: tuple[Volume, ...]) -> Iterator[Noted]:
    """Give all remarks on a thin pool; ``parts`` are the volumes that hold data and metadata."""
    where = f"{volume.group}/{volume.name}"
    if not is_complete(volume, parts):
        text = "LVM does not list all that the thin pool is made of."
        yield Noted(remark=Remark.FEW_CHECKS, text=text)
    if not is_at_work(volume):
        yield Noted(
            remark=Remark.INACTIVE,
            text="The thin pool is not active: how full it is, and whether its metadata is sound, "
            "cannot be seen.",
        )
    if _health(volume) == "failed":
        yield Noted(
            remark=Remark.SUSPENDED,
            text="LVM says that the thin pool failed: nothing of it can be read or written.",
            at_most=Protection.BROKEN,
        )
    if _health(volume) not in _WORDS:
        yield unknown_word(where, _health(volume))
    yield from _space(volume)
    yield from _metadata(volume)


def _space(volume: Volume) -> Iterator[Noted]:
    """Tell how full the space for data is."""
    used = volume.data_percent
    if _health(volume) == "out_of_data" or used == FULL:
        yield Noted(
            remark=Remark.SPACE_LOW,
            text="No space for data is left in it. What it holds can still be read.",
            amount=FULL,
        )
    elif used is not None:
        text = f"Of its space for data {used:.0f}% is used."
        yield Noted(remark=Remark.SPACE_LOW, text=text, amount=int(used))
    elif is_at_work(volume):
        yield Noted(remark=Remark.FEW_CHECKS, text="LVM does not tell how full the thin pool is.")


def _metadata(volume: Volume) -> Iterator[Noted]:
    """Tell how full its metadata is, and whether that still takes changes."""
    used = volume.metadata_percent
    if _health(volume) == "metadata_read_only" or volume.needs_check or used == FULL:
        text = "Its metadata takes no more changes. What it holds can still be read."
        yield Noted(remark=Remark.METADATA_LOW, text=text, amount=FULL)
    elif used is not None:
        text = f"Of its space for metadata {used:.0f}% is used."
        yield Noted(remark=Remark.METADATA_LOW, text=text, amount=int(used))
