"""Puts the box's end of the hub together: one object for the watch to hold."""

from __future__ import annotations

import os
import random  # noqa: TID251 - spreads retries
import secrets
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from watcher.facts.finding import Finding
from watcher.facts.identity import BoxId
from watcher.hub import credentials
from watcher.hub.credentials import Credentials
from watcher.hub.enrolment import hash_of, new_token
from watcher.hub.handover import Handover
from watcher.hub.line import Line
from watcher.hub.masking import Mask
from watcher.hub.sender import Sender
from watcher.hub.wire import Joining, pack
from watcher.service.bootstrap import box_of, to_standing
from watcher.service.clock import Clock
from watcher.service.desk import Standing
from watcher.service.settings_shape import Config
from watcher.service.state import store_path
from watcher.store.database import Store
from watcher.store.errors import StoreError

MIB = 1024 * 1024


class HubLink:
    """This box and its hub."""

    def __init__(self, handover: Handover, sender: Sender, store: Callable[[], Store]) -> None:
        """Hold both."""
        self.handover, self.sender, self._store = handover, sender, store

    def joined(self, standing: Standing) -> Standing:
        """Give the standing of a box whose surveys are handed over: the hub notices its silence."""
        return replace(standing, hands_over=self.handover, beats=True)

    def start(self) -> None:
        """Begin to send."""
        self.sender.start()

    def wake(self) -> None:
        """Say that there is something to send."""
        self.sender.wake()

    def stop(self) -> None:
        """End after what is under way."""
        self.sender.stop()

    def besides(self, now: datetime) -> tuple[Finding, ...]:
        """Say that the hub is away, while it is."""
        try:
            with self._store().snapshot() as tx:
                return self.handover.findings(tx, now)
        except StoreError:
            return ()

    def works(self, now: datetime) -> frozenset[str]:
        """Name the hub while it works."""
        try:
            with self._store().snapshot() as tx:
                return self.handover.works(tx, now)
        except StoreError:
            return frozenset()


def link_to(
    config: Config,
    *,
    url: str,
    store: Callable[[], Store],
    clock: Clock,
    look: Callable[[], None],
    say: Callable[[str], None],
) -> HubLink:
    """Build the link of this box to a hub. Raises ValueError with a sentence, StoreError."""
    folder = store_path(config).parent
    known = credentials.load(folder)
    if known is None or not known.box:
        raise ValueError(f"This box has not joined the hub yet: midwatch join CODE --hub {url}")
    if known.url != url:
        raise ValueError(
            f"This box has joined {known.url}, not {url}: join there with a code first."
        )
    handover = Handover(
        box=box_of(config),
        sender=secrets.token_urlsafe(12),
        every=timedelta(minutes=config.survey.every_minutes),
        alone_after=timedelta(minutes=config.hub.alone_after_minutes),
        most_bytes=config.hub.keep_mib * MIB,
        mask=mask_of(config, known),
        own_way=to_standing(config).reached_away,
    )
    with store().transaction() as tx:
        handover.begin(tx, clock.now())
    sender = Sender(
        store=store,
        handover=handover,
        line=Line(url, ca_file=config.hub.ca_file, clock=clock.now),
        folder=folder,
        known=known,
        clock=clock,
        chance=random.random,
        look=look,
        say=say,
    )
    return HubLink(handover, sender, store)


def mask_of(config: Config, known: Credentials) -> Mask | None:
    """Give what is hidden before it leaves, or None."""
    if not (config.hub.mask_serials or config.hub.mask_names):
        return None
    names = (str(box_of(config)), os.uname().nodename) if config.hub.mask_names else ()
    return Mask(
        key=bytes.fromhex(known.mask_key), serials=config.hub.mask_serials, names=tuple(set(names))
    )


def join_hub(config: Config, folder: Path, url: str, code: str) -> Credentials:
    """Join a hub with a one-time code. Raises HubError, ValueError, OSError.

    The token is made and kept here before it is told of, so that a join whose answer was lost is
    made again with the same code and the same token.
    """
    line = Line(url, ca_file=config.hub.ca_file)
    before = credentials.load(folder)
    known = credentials.load(folder, credentials.JOINING)
    if known is None or known.url != url:
        mask_key = before.mask_key if before is not None else secrets.token_hex(32)
        known = Credentials(url=url, box="", token=new_token(), mask_key=mask_key)
        credentials.save(folder, known, credentials.JOINING)
    name: BoxId | str = box_of(config)
    if config.hub.mask_names:
        name = f"box-{hash_of(known.mask_key + str(name))[:8]}"
    asked = Joining(
        code=code,
        box=str(name),
        token_hash=hash_of(known.token),
        every_seconds=config.survey.every_minutes * 60,
    )
    try:
        answer = line.post("/box/join", pack(asked))
    finally:
        line.close()
    known = replace(known, box=answer.box, client=answer.client)
    credentials.save(folder, known)
    (folder / credentials.JOINING).unlink(missing_ok=True)
    return known
