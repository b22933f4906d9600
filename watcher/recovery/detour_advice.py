"""What to do about each detour: the first line says what happened, the others what to do."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from watcher.recovery.record import Detour, DetourKind

BEYOND: Final = (
    (
        "Stop everything that writes to it: programs, shares, scrubs. Then unmount it, if it lets "
        "itself be unmounted."
    ),
    (
        "Do not create it anew, do not force it together, do not format, do not “repair”: each of "
        "these can end what can still be saved."
    ),
    (
        "Drives that seem dead are often only cut off. Note which drive is in which bay by serial "
        "number; power down; check power, cables, backplane and controller; start once, and look."
    ),
    (
        "If a drive does answer, copy it as a whole to another drive of at least its size before "
        "anything else (an image, made with a program that notes what it could not read and goes "
        "on), and work on the copies only."
    ),
    (
        "When what is on it has no backup and matters, a professional recovery is the better call, "
        "and every try beforehand lowers its chance. A drive that clicks, does not spin up, or has "
        "been dropped belongs there unpowered."
    ),
)

_TASKS: Final[Mapping[DetourKind, tuple[str, ...]]] = MappingProxyType(
    {
        DetourKind.BEYOND_MARGIN: BEYOND,
        DetourKind.WRONG_PULLED: (
            (
                "Put it back into the same bay, with the power down unless the bay is made for hot "
                "swap. Do nothing else first."
            ),
            (
                "Then look again: most pools take it back as it was. If it is not in step, a "
                "command here will take it back, before the swap goes on."
            ),
        ),
        DetourKind.SECOND_LOSS: (
            "Stop what is not needed. Is the pool beyond its margin now? Then write nothing more.",
            "Copy what cannot be replaced away from it now, while it can be read.",
            (
                "Two losses close together have often one cause: power, a cable, a controller, the "
                "backplane. Check that before a second drive is bought."
            ),
        ),
        DetourKind.UNREADABLE: (
            "Copy what matters off the pool now, while the rest can be read.",
            "Keep every drive in, the old one too: it may hold what another cannot read.",
            (
                "Do not start the rebuild anew before you know which data is hit (the pool's own "
                "status or the kernel log names it)."
            ),
            "What is hit comes back from a backup; then scrub again.",
        ),
        DetourKind.NEW_DIED: (
            "First its cable and bay: a second drive that dies in the same bay points at the bay.",
            "Then take another drive, best one that is proven. The margin is what it was before.",
        ),
        DetourKind.OLD_BACK: (
            (
                "If its signs are clean and a cable was the cause, taking it back is the quickest "
                "way to full margin."
            ),
            "If it shows signs, leave it out, unchanged: it is a copy of that moment.",
            "Never let it and its replacement both claim the same place: decide for one.",
        ),
        DetourKind.PARITY_LOST: (
            "No file is hit. Until parity is back, a further loss costs what sits on that drive.",
        ),
        DetourKind.CHECK_DIFFERS: (
            (
                "Look at what it is before anything is repaired: a repair writes, and may take the "
                "wrong side for right."
            ),
        ),
    }
)


_TAKE_BACK: Final = "Take it back by the command below, before the swap goes on."


def detour_tasks(detour: Detour, *, is_here: bool = False) -> tuple[str, ...]:
    """Say what happened and what to do about it; ``is_here``: what was pulled is in the box."""
    if is_here and detour.kind is DetourKind.WRONG_PULLED:
        return (detour.text, _TAKE_BACK)
    return (detour.text, *_TASKS[detour.kind])
