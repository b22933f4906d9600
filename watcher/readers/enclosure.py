"""Bays: which drive sits in which slot of an enclosure, where the enclosure tells.

Source: ``/sys/class/enclosure`` of Linux (drivers/misc/enclosure.c, module ``ses``): one folder per
enclosure, in it one per slot with the files ``slot`` (its number), ``status``, ``fault`` and
``locate``, and the link ``device`` to what sits in it (from memory of the driver). Most boxes have
none: then there are no bays, and the owner's own names in the configuration are all there is.
Ignored: power, fans, temperatures of the enclosure.

Trap: a slot's name and its number may differ by one; people read the name printed on the front,
which follows neither for certain. So a bay is called by the slot's name, as the enclosure gives it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from watcher.readers.host import Host

FOLDER = "/sys/class/enclosure"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bay:
    """One slot of an enclosure."""

    enclosure: str  # the kernel's name: "0:0:8:0"
    name: str  # as the enclosure calls it: "Slot 03"
    number: int | None = None
    disks: tuple[str, ...] = ()  # kernel names of what sits in it; empty: nothing, or not a disk
    status: str = ""  # the enclosure's own word
    locate_lit: bool | None = None


def _read(host: Host, path: str) -> str | None:
    """Give a small file, or None when it is not there or cannot be read now."""
    try:
        return host.read_text(path).strip()
    except OSError:
        return None


def _lamp(text: str | None) -> bool | None:
    """Read a lamp: ``0`` is off, any other number on."""
    return text != "0" if text is not None and text.isdigit() else None


def _bay(host: Host, enclosure: str, name: str) -> Bay | None:
    """Read one slot; None for a folder that is none."""
    place = f"{FOLDER}/{enclosure}/{name}"
    status = _read(host, f"{place}/status")
    if status is None:
        return None
    number = _read(host, f"{place}/slot")
    try:
        disks = host.list_dir(f"{place}/device/block")
    except OSError:
        disks = ()  # an empty slot has no device
    return Bay(
        enclosure=enclosure,
        name=name.strip(),
        number=int(number) if number and number.isascii() and number.isdigit() else None,
        disks=disks,
        status=status,
        locate_lit=_lamp(_read(host, f"{place}/locate")),
    )


def read_bays(host: Host) -> tuple[Bay, ...]:
    """Give all slots; empty when there is no enclosure or its folder cannot be read.

    A bay is a label and no sign of anything, so not knowing it is no blind spot.
    """
    try:
        enclosures = host.list_dir(FOLDER)
        return tuple(
            bay
            for enclosure in enclosures
            for name in host.list_dir(f"{FOLDER}/{enclosure}")
            if (bay := _bay(host, enclosure, name)) is not None
        )
    except OSError:
        return ()


def bay_names(bays: Sequence[Bay]) -> dict[str, str]:
    """Give each disk's bay by kernel name; the enclosure is named where there are several."""
    many = len({bay.enclosure for bay in bays}) > 1
    return {
        disk: f"{bay.name} of enclosure {bay.enclosure}" if many else bay.name
        for bay in bays
        for disk in bay.disks
    }
