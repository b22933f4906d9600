"""A hub's state folder with boxes of two clients, each with a pool that lost a drive."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from tests.store import made
from watcher.facts.identity import BoxId
from watcher.hub.clients import Clients
from watcher.hub.enrolment import hash_of, invite, join
from watcher.hub.shop import Shop
from watcher.hub.wire import Joining, Parcel
from watcher.service.bootstrap import load_settings, to_standing
from watcher.service.clock import SystemClock
from watcher.store.database import open_store

SETTINGS = """\
box_name: workshop
zone: UTC
state_directory: {folder}
people:
  - name: sam
    targets:
      - name: phone
        url: "json://127.0.0.1:1/"
  - name: ann
  - name: bob
shop:
  clients:
    - name: Harbour Print Room
      people: [ann]
    - name: Orchard Press
      people: [bob]
"""
BOXES = (
    ("press", "Harbour Print Room", 0),
    ("nas", "Harbour Print Room", 10),
    ("nas", "Orchard Press", 20),
)


def prepare_hub(folder: Path) -> Path:
    """Make the state: ``press``, ``nas`` and ``nas (Orchard Press)``; give the settings file."""
    path = folder / "hub.yaml"
    path.write_text(SETTINGS.format(folder=folder), encoding="utf-8")
    config = load_settings(str(path), {})
    now = SystemClock().now() - timedelta(minutes=20)
    with open_store(folder / "midwatch.db", now=now) as store:
        shop = Shop(store, Clients(to_standing(config), config))
        for name, client, first in BOXES:
            token = f"token-of-{client}-{name}".replace(" ", "-")
            with store.transaction() as tx:
                asked = Joining(
                    code=invite(tx, client, "", now), box=name, token_hash=hash_of(token)
                )
                box = join(tx, asked, now).box
            for number in range(2):
                at = now + number * timedelta(minutes=10)
                survey = made.survey(
                    f"{box}-{number}",
                    at,
                    box=BoxId(name),
                    drives=tuple(made.reading(first + n, at) for n in range(number, 4)),
                    pools=(made.pool(at, lost=number, first_drive=first),),
                )
                survey = replace(survey, answered=("md", "drive-discovery", "kernel-log"))
                parcel = Parcel(sender=f"run-{first}", every_seconds=600, survey=survey)
                shop.take(token, parcel, "192.0.2.7", at)
    return path
