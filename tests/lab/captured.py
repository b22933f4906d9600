"""Run the real readers and rules over one recorded step and print what they made of it.

Usage, from the top of the repository: ``python -m tests.lab.captured STEP_FOLDER [--json]``

The step is one look without a past: what shows only by comparison is not in it.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tests.lab.step_host import host_of, texts_of
from watcher.facts.drive import DriveReading, DriveUnread
from watcher.facts.finding import Finding
from watcher.facts.identity import BoxId
from watcher.facts.pool import Member, Pool, PoolKind, Work
from watcher.facts.survey import Blindness, Survey
from watcher.readers.survey import Looking, Surveyor
from watcher.rules.catalogue import judge
from watcher.rules.tuning import Tuning
from watcher.rules.view import View


def survey_of(texts: Mapping[str, str]) -> Survey:
    """Take one survey of a step, out of its files."""
    host, moment = host_of(texts)
    return Surveyor(host, Looking(box=BoxId("step"))).take("step", moment, deep=True).survey


def look(texts: Mapping[str, str]) -> dict[str, Any]:
    """Give all that was seen in a step and what the rules say of it, as plain data."""
    survey = survey_of(texts)
    view = View(survey=survey, now=survey.taken_at, recent=survey.events)
    events = Counter(event.category.value for event in survey.events)
    return {
        "pools": [_pool(pool) for pool in survey.pools],
        "drives": [_drive(reading) for reading in survey.drives]
        + [_unread(unread) for unread in survey.unread],
        "events": dict(sorted(events.items())),
        "findings": [_finding(finding) for finding in judge(view, Tuning())],
        "blind": [_blind(spot) for spot in survey.blind],
    }


def kernel_name(pool: Pool) -> str:
    """Give the kernel's name of a software array, which steps are told by; else the pool's own."""
    if pool.kind is PoolKind.MD and pool.node is not None:
        return pool.node.removeprefix("/dev/")
    return pool.name


def _pool(pool: Pool) -> dict[str, Any]:
    return {
        "id": pool.pool,
        "name": kernel_name(pool),
        "kind": pool.kind.value,
        "layout": pool.layout,
        "protection": pool.protection.value,
        "margin": pool.margin,
        "full_margin": pool.full_margin,
        "at_stake": pool.at_stake.value,
        "members": [_member(member) for member in pool.members],
        "work": _work(pool.work),
        "remarks": [
            {"remark": note.remark.value, "member": note.member, "text": note.text}
            for note in pool.notes
        ],
        "said": pool.said,
    }


def _member(member: Member) -> dict[str, Any]:
    return {
        "name": member.name,
        "state": member.state.value,
        "role": member.role.value,
        "drives": list(member.drives),
        "node": member.node,
        "said": member.said,
        "errors": member.errors,
    }


def _work(work: Work | None) -> dict[str, Any] | None:
    if work is None:
        return None
    return {
        "kind": work.kind.value,
        "state": work.state.value,
        "done_fraction": work.done_fraction,
        "rate_bytes_per_second": work.rate_bytes_per_second,
    }


def _drive(reading: DriveReading) -> dict[str, Any]:
    return {
        "drive": reading.identity.drive,
        "node": reading.node,
        "model": reading.identity.model,
        "serial": reading.identity.serial,
        "verdict": reading.verdict.value,
        "metrics": {metric.value: value for metric, value in reading.metrics},
        "unread": None,
    }


def _unread(unread: DriveUnread) -> dict[str, Any]:
    return {
        "drive": unread.drive,
        "node": unread.node,
        "model": unread.model,
        "serial": unread.serial,
        "verdict": "unknown",
        "metrics": {},
        "unread": unread.why.value,
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "rule": finding.rule,
        "subject": str(finding.subject),
        "urgency": finding.urgency.value,
    }


def _blind(spot: Blindness) -> dict[str, Any]:
    return {
        "source": spot.source,
        "why": spot.why.value,
        "detail": spot.detail,
        "subject": None if spot.subject is None else str(spot.subject),
    }


def _sentences(seen: dict[str, Any]) -> str:
    lines = [
        f"{pool['kind']} {pool['name']}: {pool['protection']}, margin {pool['margin']}"
        f" of {pool['full_margin']}"
        for pool in seen["pools"]
    ]
    lines += [f"{f['urgency']}: {f['rule']}: {f['subject']}" for f in seen["findings"]]
    lines += [f"blind: {spot['source']}: {spot['detail']}" for spot in seen["blind"]]
    return "\n".join(lines) or "nothing was seen"


def main() -> None:
    """Read the command line and print."""
    parser = argparse.ArgumentParser(description="Run the readers over one recorded step.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--json", action="store_true", help="print data for programs")
    options = parser.parse_args()
    seen = look(texts_of(options.folder))
    print(json.dumps(seen, indent=1) if options.json else _sentences(seen))


if __name__ == "__main__":
    main()
