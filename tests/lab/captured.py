"""Run the real readers over one recorded step and print what they made of it.

Usage, from the top of the repository: ``python -m tests.lab.captured STEP_FOLDER [--json]``
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tests.lab.step_host import host_of, texts_of
from watcher.facts.pool import Member, Pool, Work
from watcher.facts.survey import Blindness
from watcher.readers.blocks import read_blocks
from watcher.readers.errors import ReadError
from watcher.readers.pools.registry import read_pools
from watcher.readers.pools.shape import Blocks, UnseenBlocks, blindness_of


def look(texts: Mapping[str, str]) -> dict[str, Any]:
    """Give all that was seen in a step, out of its files, as plain data."""
    host, moment = host_of(texts)
    blind: list[Blindness] = []
    blocks: Blocks
    try:
        blocks = read_blocks(host)
    except ReadError as error:
        blind.append(blindness_of("block-devices", error))
        blocks = UnseenBlocks()
    seen = read_pools(host, blocks, observed_at=moment)
    return {
        "pools": [_pool(pool) for pool in seen.pools],
        "drives": [],
        "events": {},
        "findings": [],
        "blind": [_blind(spot) for spot in (*blind, *seen.blind)],
    }


def _pool(pool: Pool) -> dict[str, Any]:
    return {
        "id": pool.pool,
        "name": pool.name,
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


def _blind(spot: Blindness) -> dict[str, Any]:
    return {
        "source": spot.source,
        "why": spot.why.value,
        "detail": spot.detail,
        "subject": None if spot.subject is None else str(spot.subject),
    }


def _sentence(seen: dict[str, Any]) -> str:
    lines = [
        f"{pool['kind']} {pool['name']}: {pool['protection']}, margin {pool['margin']}"
        f" of {pool['full_margin']}"
        for pool in seen["pools"]
    ]
    lines += [f"blind: {spot['source']}: {spot['detail']}" for spot in seen["blind"]]
    return "\n".join(lines) or "nothing was seen"


def main() -> None:
    """Read the command line and print."""
    command = argparse.ArgumentParser(description="Run the readers over one recorded step.")
    command.add_argument("folder", type=Path)
    command.add_argument("--json", action="store_true", help="print data for programs")
    options = command.parse_args()
    seen = look(texts_of(options.folder))
    print(json.dumps(seen, indent=1) if options.json else _sentence(seen))


if __name__ == "__main__":
    main()
