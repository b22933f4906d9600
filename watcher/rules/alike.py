"""Findings that say the same of several places: told once, with the places named."""

from __future__ import annotations

import re
from collections.abc import Iterable

from watcher.facts.finding import Finding

_NODE = re.compile(r"\(([^() ,]+)\)$")


def alike(findings: Iterable[Finding]) -> list[list[Finding]]:
    """Bring together what says the same of several places, where the first of them stands."""
    groups: dict[tuple[str, str, str, str], list[Finding]] = {}
    for one in findings:
        key = (one.rule, one.urgency.value, one.sentence, one.next_step)
        groups.setdefault(key, []).append(one)
    return list(groups.values())


def place_of(label: str) -> str:
    """Give the short name of a drive: its bay, else the node that stands at the end."""
    node = _NODE.search(label)
    return label.partition(" (")[0] if node is None else node.group(1)
