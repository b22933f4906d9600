"""A hub in memory and boxes that report to it, for the tests of the hub."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.store import made
from watcher.cases.policy import Person, Policy
from watcher.exposure.window import WindowPlan
from watcher.facts.identity import BoxId
from watcher.facts.survey import Survey
from watcher.hub.clients import Clients
from watcher.hub.enrolment import hash_of, invite, join
from watcher.hub.shop import Came, Shop
from watcher.hub.wire import Joining, Parcel
from watcher.notify.secret import Secret
from watcher.notify.target import Target
from watcher.rules.tuning import Tuning
from watcher.service.desk import Standing
from watcher.service.settings_hub import ClientSettings, ShopSettings
from watcher.service.settings_shape import Config
from watcher.store.database import Store, open_memory

NOW = made.NOW
EVERY = timedelta(minutes=10)


class StillClock:
    """A clock that is moved by hand."""

    def __init__(self, now: datetime = NOW) -> None:
        self.at = now

    def now(self) -> datetime:
        return self.at

    def monotonic(self) -> float:
        return (self.at - NOW).total_seconds()


def standing(box: str = "hub") -> Standing:
    people = ("sam", "ann", "bob")
    return Standing(
        box=BoxId(box),
        policy=Policy(people=tuple(Person(name=name) for name in people)),
        tuning=Tuning(),
        targets=tuple(
            Target(name="mail", person=name, url=Secret(f"json://127.0.0.1/{name}"))
            for name in people
        ),
        plan=WindowPlan(zone=UTC),
    )


CONFIG = Config(
    shop=ShopSettings(
        clients=(
            ClientSettings(name="Harbour", people=("ann",), hears=("now", "today")),
            ClientSettings(name="Orchard", people=("bob",)),
        )
    )
)


def new_store() -> Store:
    """Give an empty store; ``each_ground`` puts another in its place."""
    return open_memory(now=NOW)


def shop(store: Store | None = None) -> Shop:
    return Shop(store or new_store(), Clients(standing(), CONFIG))


def enrol(at: Shop, box: str, client: str = "Harbour", now: datetime = NOW) -> str:
    """Enrol a box; give its token."""
    token = f"token-of-{box}-0123456789"
    with at.store.transaction() as tx:
        code = invite(tx, client, box, now)
        join(tx, Joining(code=code, box=box, token_hash=hash_of(token)), now)
    return token


def parcel(survey: Survey, *, sender: str = "run-1", **more: Any) -> Parcel:
    return Parcel(sender=sender, every_seconds=600, survey=survey, **more)


def look(number: int, *, lost: int = 0, first_drive: int = 0, **more: Any) -> Survey:
    """A look at a box of four drives in one pool."""
    at = NOW + number * EVERY
    found = made.survey(
        f"look-{number}",
        at,
        drives=tuple(
            made.reading(first_drive + n, at, temperature_celsius=30) for n in range(lost, 4)
        ),
        pools=(made.pool(at, lost=lost, first_drive=first_drive),),
        box=BoxId("press"),
        **more,
    )
    return replace(found, answered=("md", "drive-discovery", "kernel-log"))


def report(at: Shop, token: str, survey: Survey, **more: Any) -> Came:
    return at.take(token, parcel(survey, **more), "192.0.2.7", survey.taken_at)


def messages(at: Shop) -> list[tuple[str, str, str]]:
    with at.store.snapshot() as tx:
        rows = tx.db.rows("SELECT box, person, title FROM notice ORDER BY id")
    return [(row["box"], row["person"], row["title"]) for row in rows]


def standing_of(hub: Shop, box: str) -> set[str]:
    with hub.store.snapshot() as tx:
        cases = tx.load_book(BoxId(box)).open_cases
    return {finding.rule for case in cases for finding in case.standing}
