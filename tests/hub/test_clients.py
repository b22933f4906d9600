"""Who hears of which box."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta

import pytest

from tests.hub.stage import CONFIG, EVERY, NOW, enrol, look, new_store, report, shop, standing
from tests.store import made
from watcher.cases.observations import Acknowledged
from watcher.cases.policy import Ladder, LadderChoice, Person, Rung
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.hub.clients import Clients
from watcher.hub.shop import Shop
from watcher.service.desk import Desk, Standing
from watcher.service.settings_hub import ShopSettings
from watcher.service.settings_shape import Config
from watcher.service.settings_types import HoursSettings


def of(client: str) -> Standing:
    hub = shop()
    enrol(hub, "press", client)
    with hub.store.snapshot() as tx:
        box = tx.enrolled(BoxId("press"))
    assert box is not None
    return Clients(standing(), CONFIG).of(box)


def told(found: Standing, urgency: Urgency) -> set[str]:
    ladder = found.policy.ladder_for(made.finding(1, NOW, urgency), urgency, "press", "")
    return {name for rung in ladder.rungs for name in rung.people}


def test_a_client_hears_beside_the_shop_of_what_the_settings_say() -> None:
    found = of("Harbour")
    assert told(found, Urgency.NOW) == {"sam", "ann"}
    assert told(found, Urgency.THIS_WEEK) == {"sam"}


def test_a_client_that_is_to_hear_nothing_is_not_in_the_policy_at_all() -> None:
    found = of("Orchard")
    assert {p.name for p in found.policy.people} == {"sam"}
    assert {t.person for t in found.targets} == {"sam"}


def test_nobody_of_one_client_is_in_the_policy_of_another() -> None:
    for client, other in (("Harbour", "bob"), ("Orchard", "ann"), ("unknown", "ann")):
        found = of(client)
        assert other not in {p.name for p in found.policy.people}
        assert other not in {t.person for t in found.targets}
        for urgency in Urgency:
            assert other not in told(found, urgency)


@pytest.mark.parametrize(
    ("client", "hear"), [("Harbour", {"sam"}), ("Orchard", {"bob"}), ("unknown", {"sam"})]
)
def test_where_the_shop_has_nobody_somebody_hears_all_the_same(client: str, hear: set[str]) -> None:
    """A hub may go by such settings, so the client's own people hear, or who is listed first."""
    harbour, orchard = (
        one.model_copy(update={"people": people, "hears": ()})
        for one, people in zip(CONFIG.shop.clients, (("sam",), ("bob",)), strict=True)
    )
    base = standing()
    people = tuple(p for p in base.policy.people if p.name != "ann")
    base = replace(base, policy=replace(base.policy, people=people))
    clients = Clients(base, Config(shop=ShopSettings(clients=(harbour, orchard))))
    hub = shop()
    enrol(hub, "press", client)
    with hub.store.snapshot() as tx:
        box = tx.enrolled(BoxId("press"))
    assert box is not None
    for found, who in ((clients.of(box), hear), (clients.own, {"sam"})):
        assert {p.name for p in found.policy.people} == who
        assert {t.person for t in found.targets} == who
        for urgency in (Urgency.NOW, Urgency.THIS_WEEK):
            assert told(found, urgency) == who


def test_a_hub_without_clients_in_its_settings_tells_everybody() -> None:
    clients = Clients(standing(), Config())
    assert {p.name for p in clients.own.policy.people} == {"sam", "ann", "bob"}


def test_the_regular_message_comes_once_from_the_hub_and_not_from_each_box() -> None:
    assert of("Harbour").policy.digest is None
    assert not of("Harbour").minds_routes
    assert Clients(standing(), CONFIG).own.minds_routes


def test_a_ladder_of_one_client_is_climbed_for_its_boxes_only() -> None:
    ladder = Ladder(
        rungs=(Rung(people=("sam",), wait=timedelta(minutes=3)),),
        repeat_first=timedelta(minutes=3),
        repeat_longest=timedelta(minutes=9),
    )
    base = standing()
    choice = LadderChoice(ladder=ladder, clients=("Harbour",))
    clients = Clients(replace(base, policy=replace(base.policy, ladders=(choice,))), CONFIG)
    hub = shop()
    waits = {}
    for client in ("Harbour", "Orchard"):
        enrol(hub, client.lower(), client)
        with hub.store.snapshot() as tx:
            box = tx.enrolled(BoxId(client.lower()))
        assert box is not None
        policy = clients.of(box).policy
        found = policy.ladder_for(made.finding(1, NOW, Urgency.NOW), Urgency.NOW, box.box, "")
        waits[client] = found.rungs[0].wait
    assert waits["Harbour"] == timedelta(minutes=3)
    assert waits["Orchard"] > timedelta(minutes=3)


def test_it_is_known_whose_people_are_whose() -> None:
    clients = Clients(standing(), CONFIG)
    assert (clients.client_of("ann"), clients.client_of("sam")) == ("Harbour", "")
    assert clients.names == ("Harbour", "Orchard")
    assert not clients.sees_notes("Harbour")
    assert not clients.sees_notes("nobody")


def test_a_clients_people_are_not_woken_in_its_hours_for_what_can_wait_and_the_shop_is() -> None:
    hours = HoursSettings(begin=time(18), end=time(8))
    client = CONFIG.shop.clients[0].model_copy(update={"quiet": (hours,)})
    clients = Clients(standing(), Config(shop=ShopSettings(clients=(client,))))
    hub = shop()
    enrol(hub, "press")
    with hub.store.snapshot() as tx:
        box = tx.enrolled(BoxId("press"))
    assert box is not None
    policy = clients.of(box).policy
    night = NOW.replace(hour=22)
    ann, sam = policy.person("ann"), policy.person("sam")
    assert ann is not None
    assert sam is not None
    assert ann.held_until(Urgency.TODAY, night) == (night + timedelta(days=1)).replace(
        hour=8, minute=0, second=0, microsecond=0
    )
    assert ann.held_until(Urgency.NOW, night) is None
    assert sam.held_until(Urgency.TODAY, night) is None


@pytest.mark.parametrize(("sees", "by", "reads"), [
    (False, "sam", False), (True, "sam", True), (False, "eve", True),
])  # fmt: skip
def test_a_client_is_told_what_the_shop_noted_only_where_the_settings_say_so(
    *, sees: bool, by: str, reads: bool
) -> None:
    """On the phone as on the pages. What their own people noted they may read."""
    harbour = CONFIG.shop.clients[0].model_copy(
        update={"people": ("ann", "eve"), "sees_notes": sees}
    )
    base = standing()
    people = (*base.policy.people, Person(name="eve"))
    base = replace(base, policy=replace(base.policy, people=people))
    hub = Shop(new_store(), Clients(base, Config(shop=ShopSettings(clients=(harbour,)))))
    token = enrol(hub, "press")
    report(hub, token, look(1))
    report(hub, token, look(2, lost=1))
    with hub.store.transaction() as tx:
        box = tx.enrolled(BoxId("press"))
        assert box is not None
        case = max(tx.load_book(box.box).open_cases, key=lambda one: one.urgency)
        until = NOW + timedelta(hours=20)
        said = Acknowledged(case=case.number, by=by, until=until, note="never pays in time")
        Desk(hub.store, hub.clients.of(box)).hear_within(tx, said, NOW + 3 * EVERY)
    with hub.store.snapshot() as tx:
        taken = {
            n.person: n.body for n in tx.list_notices(box.box) if n.title.startswith("Taken by")
        }
    assert ("never pays" in taken["ann"]) is reads
    assert by == "sam" or "never pays" in taken["sam"]
