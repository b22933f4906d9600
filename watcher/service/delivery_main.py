"""The delivery process: ``python -m watcher.service.delivery_main [--store …] [--config …]``.

A child of the daemon in a process group of its own. Why the shape is so:

- The daemon may be killed at any moment. Whatever was committed is in the outbox; this process
  goes on until the messages under way are sent and written down, sees the end of its input, and
  ends. So the death of the daemon loses nothing and doubles nothing.
- This process may be killed at any moment. What it had taken is marked with its name
  (``claims.py``); the next one sees that the name is dead and sends again, with the same message
  id. Only where the receiver had accepted and the confirmation was cut off does a receiver get
  a message twice, and the id says so.
- A sender may hang or die; that is one failed try (``sender_process.py``).

Input, one word a line: ``wake`` (there may be something new), ``reload`` (read the settings
again; broken ones leave the old in place). With ``--left`` a line for each message that has left is
written to that file descriptor (``left.py``).
"""

from __future__ import annotations

import argparse
import io
import os
import random
import shutil
import signal
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from watcher.facts.units import between_words
from watcher.notify.target import Target
from watcher.service.clock import SystemClock
from watcher.service.delivery import Delivery, nobody_hears
from watcher.service.errors import ConfigError
from watcher.service.last_resort import say_here
from watcher.service.left import Teller
from watcher.service.sender_process import SenderProcess
from watcher.service.settings import load, to_targets
from watcher.service.settings_shape import Config
from watcher.service.state import open_state
from watcher.store.database import open_store
from watcher.store.errors import StoreError


def _listen(delivery: Delivery, reload: Callable[[], None]) -> None:
    """Pass on the words of the daemon; its end is ours."""
    while line := sys.stdin.buffer.readline(64):
        if line.strip() == b"reload":
            reload()
        delivery.events.put("wake")
    delivery.events.put("end")


def _for_the_eye(text: str) -> str:
    """Fold a message between words where a person reads it; elsewhere it stays as it is."""
    if not sys.stdout.isatty():
        return text
    width = max(shutil.get_terminal_size().columns, 20)
    return "\n".join(between_words(line, width) for line in text.splitlines())


def _ways(config: Config) -> tuple[tuple[Target, ...], float, timedelta]:
    """Give what this process needs of the settings: ways, and limits."""
    return (
        to_targets(config),
        float(config.delivery.timeout_seconds),
        timedelta(hours=config.delivery.give_up_hours),
    )


def main() -> None:
    """Deliver until the input ends."""
    ask = argparse.ArgumentParser(prog="python -m watcher.service.delivery_main")
    ask.add_argument("--store")
    ask.add_argument("--config")
    ask.add_argument("--left", type=int)
    ask.add_argument("--to-the-end", action="store_true")
    asked = ask.parse_args()
    clock = SystemClock()
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal may lack a letter of a message
    try:
        config = load(asked.config, os.environ, lenient=True)
        targets, timeout_seconds, give_up_after = _ways(config)
        if asked.store:
            store = open_store(Path(asked.store), now=clock.now(), check=False)
        else:
            store = open_state(config, clock.now(), check=False)
    except (ConfigError, StoreError, OSError) as error:
        sys.stderr.write(f"messages cannot be delivered: {error}\n")
        os._exit(3)

    def show(text: str) -> None:
        stamp = datetime.now(UTC).astimezone()
        sys.stdout.write(f"\n--- message, {stamp:%H:%M} ---\n{_for_the_eye(text)}\n---\n")
        sys.stdout.flush()

    delivery = Delivery(
        store,
        targets=targets,
        make_sender=SenderProcess,
        clock=clock,
        chance=random.random,
        show=show,
        say_here=lambda title, body: say_here(title, body, os.environ),
        timeout_seconds=timeout_seconds,
        give_up_after=give_up_after,
        left=nobody_hears if asked.left is None else Teller(asked.left).tell,
        to_the_end=asked.to_the_end,
    )

    def reload() -> None:
        try:
            fresh = load(asked.config, os.environ, lenient=True)
        except ConfigError:
            return  # the daemon says what is wrong; the old ways go on
        delivery.use(*_ways(fresh))

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: delivery.events.put("end"))
    threading.Thread(target=_listen, args=(delivery, reload), daemon=True).start()
    delivery.run()
    delivery.close()
    store.close()
    os._exit(0)


if __name__ == "__main__":
    main()
