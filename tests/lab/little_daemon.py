"""Stands in for the daemon: puts messages into the outbox for ever and keeps a delivery running.

``python -m tests.lab.little_daemon STORE CONFIG FIRST COUNT``: writes COUNT messages, named from
FIRST on, one in a transaction, to the standard output each after its commit, and then stays.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.service.delivery_child import DeliveryChild, delivery_command
from watcher.store.database import open_store
from watcher.store.outbox import NewNotice


def main() -> None:
    path, config, first, count = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
    store = open_store(Path(path), now=datetime.now(UTC), check=False)
    child = DeliveryChild(delivery_command(path, config), os.environ)
    pause = threading.Event()
    child.ensure(time.monotonic())
    print("pid", child.pid, flush=True)
    for number in range(first, first + count):
        now = datetime.now(UTC)
        notice = NewNotice(
            key=f"attic/ana/{number}",
            box=BoxId("attic"),
            person="ana",
            target="ana/mail",
            urgency=Urgency.TODAY,
            title=f"message {number}",
            body="body",
            created_at=now,
        )
        with store.transaction() as tx:
            tx.put_notices([notice])
        print("put", number, flush=True)
        child.wake()
        pause.wait(0.03)
    while True:
        child.ensure(time.monotonic())
        pause.wait(0.1)


if __name__ == "__main__":
    main()
