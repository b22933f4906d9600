"""The door over real HTTP on loopback: who is let in, how much, and what is answered."""

from __future__ import annotations

import http.client
import json
import os
import socket
from collections.abc import Iterator

import pytest

from tests.hub.stage import NOW, StillClock, enrol, look, parcel, shop
from tests.hub.test_telling import FULL
from tests.lab.receivers import wait_until
from watcher.facts.identity import BoxId
from watcher.hub.enrolment import hash_of, invite
from watcher.hub.intake import Door
from watcher.hub.server import DoorServer, Place
from watcher.hub.shop import Shop
from watcher.hub.telling import PATH, pack_telling
from watcher.hub.wire import MOST_SENT, Joining, Renewal, pack
from watcher.store.errors import StoreFull


class Woken:
    def __init__(self) -> None:
        self.times = 0

    def wake(self) -> None:
        self.times += 1


class House:
    """A hub that listens."""

    def __init__(self) -> None:
        self.hub: Shop = shop()
        self.token = enrol(self.hub, "press")
        self.woken, self.trouble = Woken(), list[str]()
        door = Door(self.hub, StillClock(), self.woken, self.trouble.append)
        self.server = DoorServer(door, Place(address="127.0.0.1", port=0), self.trouble.append)
        self.server.start()

    def post(
        self, path: str, body: bytes, token: str = "", method: str = "POST"
    ) -> tuple[int, str]:
        line = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=20)
        line.request(method, path, body, {"Authorization": f"Bearer {token}"} if token else {})
        response = line.getresponse()
        told = response.read()
        line.close()
        return response.status, str(json.loads(told).get("why", "")) if told[:1] == b"{" else ""


@pytest.fixture
def house() -> Iterator[House]:
    found = House()
    yield found
    found.server.stop()
    assert not found.server.runs


def test_a_survey_is_taken_from_the_box_of_its_token(house: House) -> None:
    assert house.post("/box/surveys", pack(parcel(look(1, lost=1))), house.token) == (200, "")
    assert house.woken.times == 1
    with house.hub.store.snapshot() as tx:
        assert [b.box for b in tx.boxes()] == ["press"]


@pytest.mark.parametrize("token", ["", "wrong-token-wrong-token", "x", "-" * 500])
def test_without_a_right_token_nothing_is_taken(house: House, token: str) -> None:
    assert house.post("/box/surveys", pack(parcel(look(1))), token) == (401, "not-known")
    with house.hub.store.snapshot() as tx:
        assert tx.boxes() == ()


def test_odd_and_too_large_bodies_are_refused(house: House) -> None:
    assert house.post("/box/surveys", b"odd", house.token) == (400, "unreadable")
    assert house.post("/box/surveys", b"x" * (MOST_SENT + 1), house.token)[0] == 413


def test_a_box_joins_and_renews(house: House) -> None:
    with house.hub.store.transaction() as tx:
        code = invite(tx, "Orchard", "", NOW)
    asked = pack(Joining(code=code, box="shed", token_hash=hash_of("a-token-of-the-shed-1")))
    assert house.post("/box/join", asked) == (200, "")
    other = pack(Joining(code=code, box="shed", token_hash=hash_of("other")))
    assert house.post("/box/join", other) == (403, "code")
    renewed = pack(Renewal(token_hash=hash_of("a-token-of-the-shed-2")))
    assert house.post("/box/token", renewed, "a-token-of-the-shed-1") == (200, "")
    survey = pack(parcel(look(1, first_drive=9)))
    assert house.post("/box/surveys", survey, "a-token-of-the-shed-2") == (200, "")
    assert house.post("/box/surveys", survey, "a-token-of-the-shed-1") == (401, "not-known")


def test_there_is_no_other_door(house: House) -> None:
    assert house.post("/box/surveys", b"", house.token, "GET")[0] == 405
    assert house.post("/", b"", house.token)[0] == 404


def test_a_full_disk_makes_boxes_come_later(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise StoreFull("there is no room")

    monkeypatch.setattr(house.hub, "take", full)
    assert house.post("/box/surveys", pack(parcel(look(1))), house.token) == (503, "busy")
    assert "no room" in house.trouble[0]


def test_how_a_box_is_prepared_is_taken_for_the_box_of_its_token(house: House) -> None:
    body = pack_telling(FULL)
    assert house.post(PATH, body, house.token) == (409, "two-senders")
    assert house.post("/box/surveys", pack(parcel(look(1))), house.token) == (200, "")
    assert house.post(PATH, body, house.token) == (200, "")
    assert house.post(PATH, body, "wrong-token-wrong-token") == (401, "not-known")
    assert house.post(PATH, b"odd", house.token) == (400, "unreadable")
    with house.hub.store.snapshot() as tx:
        row = tx.told_by(BoxId("press"))
    assert row is not None
    assert row.told == FULL.told


def test_no_box_is_called_as_the_hub_is(house: House) -> None:
    with house.hub.store.transaction() as tx:
        code = invite(tx, "Orchard", "", NOW)
    own = house.hub.clients.own.box
    asked = pack(Joining(code=code, box=own, token_hash=hash_of("a-token-of-the-shed-1")))
    assert house.post("/box/join", asked)[0] == 200
    with house.hub.store.snapshot() as tx:
        assert tx.enrolled(own) is None
        assert [box.box for box in tx.enrolled_boxes("Orchard")] == [f"{own} (Orchard)"]


def test_one_of_two_at_a_door_that_listens_no_more_leaves_the_other_listening_and_says_nothing(
    house: House, caplog: pytest.LogCaptureFixture
) -> None:
    shared = socket.socket(fileno=os.dup(house.server.listening))
    door = Door(house.hub, StillClock(), house.woken, house.trouble.append)
    place = Place(address="127.0.0.1", port=0)
    second = DoorServer(door, place, house.trouble.append, listening=shared)
    second.start()
    body = pack(parcel(look(1)))
    for _ in range(4):  # whichever of the two is faster takes it
        assert house.post("/box/surveys", body, house.token)[0] == 200
    second.listen_no_more()
    assert wait_until(lambda: shared.fileno() == -1, 20)
    for _ in range(4):
        assert house.post("/box/surveys", body, house.token)[0] == 200
    second.stop()
    assert house.post("/box/surveys", body, house.token)[0] == 200
    assert [record for record in caplog.records if record.name == "asyncio"] == []
    assert house.trouble == []
