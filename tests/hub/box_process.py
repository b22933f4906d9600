"""A box as a process of its own: its desk, its store, and the real sender over a real line.

``python -m tests.hub.box_process FOLDER PLACE SURVEYS [CA]``: takes in so many surveys, one after
the other, and ends when all of them were taken by the hub. It may be killed at any moment and
started again: it goes on where its store says it was.
"""

from __future__ import annotations

import random
import sys
import time
from dataclasses import replace
from pathlib import Path

from tests.hub.stage import EVERY, NOW, look, standing
from tests.store import made
from watcher.facts.identity import BoxId
from watcher.hub import credentials
from watcher.hub.handover import Handover
from watcher.hub.line import Line
from watcher.hub.sender import Sender
from watcher.service.clock import SystemClock
from watcher.service.desk import Desk
from watcher.store.database import Store, open_store

LONGEST_WAIT_SECONDS = 0.2
MADE = "surveys-made"


def main() -> None:
    """Take in and send."""
    folder, place, surveys = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    known = credentials.load(folder)
    assert known is not None
    box = BoxId(known.box)
    handover = Handover(
        box=box,
        sender=f"run-{time.monotonic_ns()}",
        every=EVERY,
        alone_after=100 * EVERY,
        most_bytes=10**8,
    )
    with open_store(folder / "box.db", now=NOW) as store:
        with store.transaction() as tx:
            handover.begin(tx, NOW)
        sender = Sender(
            store=lambda: store,
            handover=handover,
            line=Line(known.url, ca_file=sys.argv[4] if len(sys.argv) > 4 else ""),
            folder=folder,
            known=known,
            clock=SystemClock(),
            chance=random.random,
            look=lambda: None,
            say=lambda text: print(text, flush=True),
        )
        desk = Desk(store, replace(standing(box), hands_over=handover))
        while True:
            number = _made(store, box) + 1
            if number <= surveys:
                _take_in(desk, box, place, number)
            wait = sender.step()
            if number > surveys and _waiting(store) == 0:
                return
            time.sleep(min(wait, LONGEST_WAIT_SECONDS))


def _take_in(desk: Desk, box: BoxId, place: int, number: int) -> None:
    at = NOW + number * EVERY
    event = made.event(at, what=f"odd-{number}")
    lost = int(number > 6)
    survey = look(number, lost=lost, first_drive=10 * place, events=(event,))
    survey = replace(survey, survey=f"{box}-{number}", box=box)
    desk.take_in(survey, at, keep={MADE: str(number)})


def _made(store: Store, box: BoxId) -> int:
    with store.snapshot() as tx:
        return int(tx.kept(box, MADE) or 0)


def _waiting(store: Store) -> int:
    with store.snapshot() as tx:
        return tx.outgoing_size()[1]


if __name__ == "__main__":
    main()
