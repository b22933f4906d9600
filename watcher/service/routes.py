"""Ways to a person that do not work: found from what became of messages, told by other ways."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import about_source
from watcher.facts.units import say_count, say_span
from watcher.notify.target import Target
from watcher.store.outbox import TargetRecord

TRIES_BEFORE_TOLD = 3
FAILS_FOR_BEFORE_TOLD = timedelta(minutes=15)
"""A way is told to fail after three tries over a quarter of an hour. Our choice: a mail server
that restarts is back before; if too long, a person is unreachable and nobody knows."""


def route_findings(
    records: Iterable[TargetRecord], targets: tuple[Target, ...], now: datetime
) -> tuple[Finding, ...]:
    """Give a finding for each way in the settings that has failed for long."""
    in_use = {target.key: target for target in targets}
    found = []
    for record in records:
        target = in_use.get(record.target)
        since = record.failing_since
        if target is None or since is None or record.failures < TRIES_BEFORE_TOLD:
            continue
        if now - since < FAILS_FOR_BEFORE_TOLD:
            continue
        found.append(
            Finding(
                rule="messages-do-not-arrive",
                subject=about_source(f"way {record.target}"),
                label=f"the way “{target.name}” to {target.person}",
                urgency=Urgency.TODAY,
                sentence=f"Messages to {target.person} by “{target.name}” have not arrived for "
                f"{say_span(now - since)}.",
                next_step="Check its address in the settings, then run: midwatch notify test",
                observed_at=now,
                evidence=(
                    Evidence(what="tries", value=say_count(record.failures, "failed try", "tries")),
                    Evidence(what="last answer", value=record.last_error or "none"),
                ),
            )
        )
    return tuple(found)


def routes_seen(records: Iterable[TargetRecord], targets: tuple[Target, ...]) -> frozenset[str]:
    """Name the ways that are known to work, or are not in the settings any more."""
    in_use = {target.key for target in targets}
    return frozenset(
        f"way {record.target}"
        for record in records
        if record.failing_since is None or record.target not in in_use
    )
