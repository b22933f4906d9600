"""Damage to a recorded text, and how well a pool looks: for "never better than the whole"."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from watcher.facts.pool import Protection

ORDER = [
    Protection.BROKEN,
    Protection.BARE,
    Protection.UNKNOWN,
    Protection.THINNED,
    Protection.WHOLE,
]


def looks(protection: str) -> int:
    """Rank how well a pool looks; more is better."""
    return ORDER.index(Protection(protection))


def damaged(text: str) -> Iterator[tuple[str, str]]:
    """Give damaged forms of a text, each with a word on the damage."""
    lines = text.splitlines(keepends=True)
    for i in range(len(lines)):
        yield f"cut before line {i}", "".join(lines[:i])
        yield f"line {i} dropped", "".join(lines[:i] + lines[i + 1 :])
        yield f"line {i} twice", "".join([*lines[: i + 1], *lines[i:]])
        yield (
            f"line {i} garbled",
            "".join([*lines[:i], lines[i][::-1].strip() + "\n", *lines[i + 1 :]]),
        )
        half = lines[i][: len(lines[i]) // 2] + "\n"
        yield f"line {i} halved", "".join([*lines[:i], half, *lines[i + 1 :]])
    yield "lines reversed", "".join(reversed(lines))
    yield "emptied", ""


def better_than(whole: dict[str, Any], hurt: dict[str, Any]) -> list[str]:
    """Name the pools that look better in a damaged reading, or are gone without a blind spot."""
    before = {pool["name"]: pool for pool in whole["pools"]}
    after = {pool["name"]: pool for pool in hurt["pools"]}
    found = [
        name
        for name, pool in after.items()
        if name in before and looks(pool["protection"]) > looks(before[name]["protection"])
    ]
    if not [spot for spot in hurt["blind"] if spot not in whole["blind"]]:
        found += [f"{name} vanished" for name in before if name not in after]
    return found
