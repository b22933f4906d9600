"""Whether the settings about clients hold together: names that must exist, names that must differ.

A person who is listed under no client is the shop's, hears of every box and may be let see every
box. So a name under a client that nobody bears is a fault and never passed over: the person who was
meant would be taken for one of the shop's.
"""

from __future__ import annotations

from typing import Protocol

from watcher.service.settings_shape import Config
from watcher.service.settings_text import Path
from watcher.service.settings_types import HoursSettings


class Add(Protocol):
    """Notes a fault."""

    def __call__(
        self, path: Path, wrong: str, right: str = "", *, may_be_meant: bool = False
    ) -> None:
        """Say where, what is wrong, what would be right, and whether it can be gone by."""


def check_hours(hours: HoursSettings, path: Path, right: str, add: Add) -> None:
    """Note hours without a length, for which ``right`` says what would be, and without a day."""
    if hours.begin == hours.end:
        add((*path, "end"), "begins and ends at the same time", right)
    if not hours.weekdays:
        wrong, days = (
            "an empty list is no day, so these hours are never",
            "remove them, or name days",
        )
        add((*path, "weekdays"), wrong, days, may_be_meant=True)


def check_clients(config: Config, add: Add) -> None:
    """Note every fault among the clients, and every ladder for a client that is none."""
    known = [person.name for person in config.people]
    whose: dict[str, str] = {}
    for index, client in enumerate(config.shop.clients):
        for who, name in enumerate(client.people):
            path = ("shop", "clients", index, "people", who)
            if name not in known:
                add(
                    path,
                    f'nobody called "{name}" is listed under people',
                    f"known are: {', '.join(known) or 'nobody'}",
                )
            elif name in whose:
                add(
                    path,
                    f'"{name}" is of {whose[name]} already',
                    "a person is of one client; whoever may know of all is listed under none",
                )
            else:
                whose[name] = client.name
        for place, hours in enumerate(client.quiet):
            check_hours(
                hours, ("shop", "clients", index, "quiet", place), "quiet hours need a length", add
            )
    if known and len(whose) == len(known):
        add(
            ("people",),
            "everybody is of a client, so nobody hears for the shop",
            "list somebody under no client: who hears of all boxes, and of the hub itself",
            may_be_meant=True,
        )
    _check_ladders(config, add)


def _check_ladders(config: Config, add: Add) -> None:
    names = [client.name for client in config.shop.clients]
    for index, ladder in enumerate(config.ladders):
        for place, name in enumerate(ladder.clients):
            if name not in names:
                add(
                    ("ladders", index, "clients", place),
                    f'no client is called "{name}"',
                    f"known are: {', '.join(names) or 'none'}",
                )
