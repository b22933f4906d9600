"""The rule about thin pools of LVM, which promise more space than there is and may run full.

It has nothing to do with margin: every drive may stand. But what is written to a full one is
refused or lost, and metadata that ran full has to be repaired, at the risk of losing volumes.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from typing import Final

from watcher.facts.finding import Finding, Urgency
from watcher.facts.pool import Noted, Pool, Protection, Remark
from watcher.rules.pool import pool_finding, pools, quote
from watcher.rules.rule import Kind, Rule
from watcher.rules.tuning import Target, Threshold, Tuning
from watcher.rules.view import View

RULE: Final = "thin-pool-fills"

_SOURCE: Final = "lvmthin(7): LVM itself warns in the log at 80, 85, 90 and 95 percent"
FILLING: Final = Threshold(
    name="percent", value=80, unit="percent of its space for data or metadata", source=_SOURCE
)
NEAR: Final = Threshold(
    name="percent-this-week", value=90, unit="percent, likewise", source=_SOURCE
)
NEXT: Final = Threshold(name="percent-today", value=95, unit="percent, likewise", source=_SOURCE)
FULL: Final = 100
"""Percent, or the pool says itself that it takes nothing more (lvs(8), attribute 9)."""

LOW: Final = (Remark.SPACE_LOW, Remark.METADATA_LOW)


def thin_pool_fills(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find thin pools that run full, or that take nothing more."""
    for pool in pools(view):
        notes = [note for note in pool.notes if note.remark in LOW]
        worst = max((note.amount or 0 for note in notes), default=0)
        urgency = _urgency(worst, tuning, view.target_of_pool(pool.pool))
        if urgency is None or pool.protection is Protection.BROKEN:
            continue  # one that failed altogether is broken, and pool-broken says so
        yield pool_finding(
            view,
            RULE,
            pool,
            urgency=urgency,
            sentence=(
                f"The thin pool {pool.name} takes no new data: what is written to its volumes is "
                "refused or lost."
                if worst >= FULL
                else f"The thin pool {pool.name} is running full: once it is, what is written to "
                "its volumes is refused or lost."
            ),
            next_step=_step(pool, notes, worst),
            evidence=tuple(quote(note) for note in notes),
            level=1 + max(0, worst - 80) // 5,
        )


def _urgency(worst: int, tuning: Tuning, target: Target) -> Urgency | None:
    """Say how soon somebody must act."""
    if worst >= FULL:
        return Urgency.NOW
    for limit, urgency in (
        (NEXT, Urgency.TODAY),
        (NEAR, Urgency.THIS_WEEK),
        (FILLING, Urgency.NOTE),
    ):
        if worst >= limit.of(tuning, RULE, target):
            return urgency
    return None


def _step(pool: Pool, notes: list[Noted], worst: int) -> str:
    """Say what to do about that which is fullest."""
    name = shlex.quote(pool.name)
    stop = "Stop what writes to it, as far as you can. " if worst >= FULL else ""
    if any(n.remark is Remark.METADATA_LOW and n.amount == worst for n in notes):
        if worst >= FULL:
            return (
                "Stop what writes to it, and copy first what cannot be replaced: it can still be "
                "read. Its metadata must then be repaired while it is not active, which can fail: "
                "follow lvmthin(7), “Metadata space exhaustion” and “Metadata check and repair”."
            )
        return (
            f"Make room for its metadata before it is full: `lvextend --poolmetadatasize +1G {name}"
            "` as root, if its group has that left (`vgs` tells). Metadata that ran full must be "
            "repaired."
        )
    return (
        f"{stop}See with `vgs` what its group has left; `lvextend -l +100%FREE {name}` as root "
        "gives the pool all of it. Deleting files alone frees nothing here: after it run `fstrim` "
        "on their filesystem, or remove volumes and snapshots that nobody needs."
        f"{' Then check the filesystems on it.' if worst >= FULL else ''}"
    )


RULES: Final = (
    Rule(
        name=RULE,
        kind=Kind.POOL,
        sentence="A thin pool runs full, or takes nothing more.",
        reads=(
            "remarks space-low and metadata-low",
            "data_percent, metadata_percent, lv_health_status and lv_check_needed of lvs",
        ),
        thresholds=(FILLING, NEAR, NEXT),
        urgency=(
            "to know, this week, today by the thresholds; now when it takes nothing more. Grows "
            "with every 5 percent."
        ),
        what_to_do="Give the pool more space, or trim and remove what nobody needs.",
        usual_cause="Volumes that together promise more than there is; snapshots that were kept.",
        quiet_when="The pool failed altogether or is not active; other rules say so.",
        sources=(_SOURCE, "lvs(8), attribute 9: out of Data space, Metadata read only, Failed"),
        check=thin_pool_fills,
    ),
)
