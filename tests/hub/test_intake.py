"""The door over real HTTP on loopback: who is let in, how much, and what is answered."""

from __future__ import annotations

import http.client
import json
import os
import socket
import zlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.hub.stage import NOW, StillClock, enrol, look, parcel, shop
from tests.hub.test_telling import FULL
from tests.lab.receivers import wait_until
from watcher.facts.identity import BoxId
from watcher.hub import shop as shop_module
from watcher.hub.enrolment import hash_of, invite
from watcher.hub.intake import (
    BUSY_FROM,
    MOST_OF_ONE,
    MOST_WAITING,
    SPREAD_EVERY,
    Door,
    plain_address,
)
from watcher.hub.line import Line
from watcher.hub.passing import PassingTime
from watcher.hub.server import DoorServer, Listening, Place
from watcher.hub.shop import Shop
from watcher.hub.telling import PATH, pack_told, plain_of
from watcher.hub.wire import MOST_SENT, MOST_SMALL, Joining, Renewal, pack, pack_plain
from watcher.store.errors import StoreFull


class Woken:
    def __init__(self) -> None:
        self.times = 0

    def wake(self) -> None:
        self.times += 1


class House:
    """A hub that listens."""

    def __init__(self, *, spreads: bool = False) -> None:
        self.hub: Shop = shop()
        self.token = enrol(self.hub, "press")
        self.woken, self.trouble = Woken(), list[str]()
        door = Door(self.hub, StillClock(), self.woken, self.trouble.append, spreads=spreads)
        self.door = door
        self.server = DoorServer(door, Place(address="127.0.0.1", port=0), self.trouble.append)
        self.server.start()

    def begin(self, token: str) -> socket.socket:
        """Begin to send a survey, and go no further than its head."""
        line = socket.create_connection(("127.0.0.1", self.server.port), timeout=20)
        head = f"POST /box/surveys HTTP/1.1\r\nHost: hub\r\nAuthorization: Bearer {token}\r\n"
        line.sendall(f"{head}Content-Length: 9\r\n\r\n".encode())
        return line

    def post(
        self, path: str, body: bytes, token: str = "", method: str = "POST", **more: str
    ) -> tuple[int, str]:
        line = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=20)
        shown = {"Authorization": f"Bearer {token}"} if token else {}
        line.request(method, path, body, shown | more)
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


def test_a_body_of_which_nobody_said_how_long_it_is_is_refused_once_it_is_too_long(
    house: House,
) -> None:
    """Sent in chunks (RFC 9112, 7.1): there is no length in its head to refuse it by."""
    line = http.client.HTTPConnection("127.0.0.1", house.server.port, timeout=20)
    pieces = iter([b"x" * 1000] * (MOST_SMALL // 1000 + 2))
    line.request("POST", "/box/join", pieces, encode_chunked=True)
    response = line.getresponse()
    assert (response.status, json.loads(response.read())["why"]) == (413, "too-large")
    line.close()


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
    body = pack_told(plain_of(FULL))
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
    shared = Listening(fileno=os.dup(house.server.listening))
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


def standing_at(house: House) -> set[str]:
    with house.hub.store.snapshot() as tx:
        return {f.rule for c in tx.load_book(BoxId("press")).open_cases for f in c.standing}


def test_whoever_is_nameless_or_slow_takes_nobody_s_place(house: House) -> None:
    """More of them than there are places wait in mid-word; a box is heard all the same."""
    waiting = [house.begin("wrong-token-wrong-token") for _ in range(MOST_WAITING + 40)]
    try:
        assert house.post("/box/surveys", pack(parcel(look(1))), house.token) == (200, "")
        assert house.door.waiting == 0
    finally:
        for line in waiting:
            line.close()


def test_one_token_takes_few_places_however_often_it_is_shown(house: House) -> None:
    other = enrol(house.hub, "shed")
    waiting = [house.begin(house.token) for _ in range(MOST_OF_ONE)]
    try:
        assert wait_until(lambda: house.door.waiting == MOST_OF_ONE, 20)
        assert house.post("/box/surveys", pack(parcel(look(1))), house.token) == (503, "busy")
        survey = pack(parcel(look(1, first_drive=9)))
        assert house.post("/box/surveys", survey, other) == (200, "")
    finally:
        for line in waiting:
            line.close()
    assert wait_until(lambda: house.door.waiting == 0, 20)
    assert house.post("/box/surveys", pack(parcel(look(1))), house.token) == (200, "")


def test_a_token_that_was_taken_away_is_known_no_more(house: House) -> None:
    assert house.post("/box/surveys", pack(parcel(look(1))), house.token) == (200, "")
    with house.hub.store.transaction() as tx:
        tx.revoke_box(BoxId("press"))
    for _ in range(2):
        assert house.post("/box/surveys", pack(parcel(look(2))), house.token) == (401, "not-known")


def test_a_wrong_code_writes_nothing(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever tries codes must not hold up those who write."""

    def write(*_: object, **__: object) -> None:
        raise AssertionError("a transaction was begun")

    monkeypatch.setattr(house.hub.store, "transaction", write)
    for code in ("AAAAA-BBBBB-CCCCC-DDDDD", "", "é" * 50):
        asked = pack(Joining(code=code, box="shed", token_hash=hash_of("x")))
        assert house.post("/box/join", asked) == (403, "code")
    asked = pack(Joining(code="A", box="shed", token_hash="é"))
    assert house.post("/box/join", asked) == (400, "unreadable")
    assert house.post("/box/join", b"x" * (MOST_SMALL + 1))[0] == 413


def test_a_fault_of_the_hub_is_answered_told_once_and_over_when_it_takes_a_survey(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise ZeroDivisionError("no such luck")

    with monkeypatch.context() as broken:
        broken.setattr(shop_module, "renamed", fails)
        for _ in range(3):
            found = house.post("/box/surveys", pack(parcel(look(1))), house.token)
            assert found == (500, "fault")
    assert standing_at(house) == {"survey-not-taken"}
    (said,) = house.trouble
    assert "ZeroDivisionError: no such luck, test_intake.py:" in said
    with house.hub.store.transaction() as tx:
        due = tx.claim_due(NOW + timedelta(hours=1), 50, "test")
    assert {"sam"} <= {notice.person for notice in due}
    assert "cannot take in" in due[0].body
    assert house.post("/box/surveys", pack(parcel(look(1))), house.token) == (200, "")
    assert "survey-not-taken" not in standing_at(house)


@pytest.mark.parametrize("part", [{"wire": 9}, {"sender": ""}])
def test_a_box_that_is_there_and_cannot_be_read_is_told_of_and_is_not_called_quiet(
    house: House, part: dict[str, object]
) -> None:
    odd = zlib.compress(json.dumps(pack_plain(parcel(look(1))) | part).encode())
    assert house.post("/box/surveys", odd, house.token)[0] in {400, 422}
    assert standing_at(house) == {"survey-not-taken"}
    time = PassingTime(house.hub)
    assert not time.mind_the_quiet(NOW + timedelta(minutes=20), timedelta(minutes=10))
    assert standing_at(house) == {"survey-not-taken"}
    time.mind_the_quiet(NOW + timedelta(hours=2), timedelta(minutes=10))
    assert standing_at(house) == {"survey-not-taken", "box-quiet"}, "now it sends nothing at all"


def test_what_the_clock_of_a_box_shows_is_told_with_its_survey(house: House) -> None:
    """And where the two differ a person hears of it."""
    line = Line(f"http://127.0.0.1:{house.server.port}", clock=lambda: NOW - timedelta(days=3))
    survey = replace(look(1), taken_at=NOW - timedelta(days=3))
    assert line.post("/box/surveys", pack(parcel(survey)), house.token).taken == "look-1"
    line.close()
    assert "clock-differs" in standing_at(house)
    with house.hub.store.snapshot() as tx:
        seen = tx.box_seen(BoxId("press"))
    assert seen is not None
    assert seen.last_survey_at == NOW


@pytest.mark.parametrize(
    ("host", "address"),
    [
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8::7", "2001:db8::7"),
        ("192.0.2.7", "192.0.2.7"),
        ("somewhere", "somewhere"),
    ],
)
def test_an_address_of_ipv4_is_one_also_at_a_socket_for_both(host: str, address: str) -> None:
    """RFC 4291 section 2.5.5.2: how such a socket shows it."""
    assert plain_address(host) == address


class Kept:
    """A call that is kept, and whether it was ended."""

    def __init__(self, house: House, token: str, first_drive: int) -> None:
        self.house, self.token, self.first_drive = house, token, first_drive
        self.line = http.client.HTTPConnection("127.0.0.1", house.server.port, timeout=20)
        self.sent = 0

    def is_ended(self) -> bool:
        self.sent += 1
        survey = pack(parcel(look(self.sent, first_drive=self.first_drive)))
        self.line.request("POST", "/box/surveys", survey, {"Authorization": f"Bearer {self.token}"})
        response = self.line.getresponse()
        assert response.status == 200
        response.read()
        return response.will_close


@pytest.mark.parametrize(("spreads", "busy"), [(True, True), (True, False), (False, True)])
def test_where_several_share_a_door_a_busy_one_now_and_then_ends_a_call_for_another_to_take(
    *, spreads: bool, busy: bool
) -> None:
    house = House(spreads=spreads)
    others = [enrol(house.hub, f"other-{n}") for n in range(BUSY_FROM)] if busy else []
    waiting = [house.begin(token) for token in others]
    try:
        assert wait_until(lambda: house.door.waiting == len(others), 20)
        kept = Kept(house, house.token, 0)
        ended = [kept.is_ended() for _ in range(2 * SPREAD_EVERY)]
        kept.line.close()
    finally:
        for line in waiting:
            line.close()
        house.server.stop()
    assert sum(ended) == (2 if spreads and busy else 0)


def test_a_token_that_the_box_had_before_is_refused_and_a_person_hears_of_it(house: House) -> None:
    """A stolen one, with which somebody made a new one; or the box was set back to an old image."""
    fresh = "a-fresh-token-of-press-1"
    renewed = pack(Renewal(token_hash=hash_of(fresh)))
    assert house.post("/box/surveys", pack(parcel(look(1))), house.token) == (200, "")
    assert house.post("/box/token", renewed, house.token) == (200, "")
    stolen = pack(parcel(look(2), sender="thief"))
    assert house.post("/box/surveys", stolen, fresh) == (200, "")
    assert "two-senders" not in standing_at(house)
    woken = house.woken.times
    for number in (3, 4):
        survey = pack(parcel(look(number)))
        assert house.post("/box/surveys", survey, house.token) == (401, "not-known")
        assert "two-senders" in standing_at(house)
    assert house.woken.times > woken
    later = pack(parcel(look(5), sender="thief"))
    assert house.post("/box/surveys", later, fresh) == (200, "")
    assert "two-senders" in standing_at(house), "what the thief sends clears it not"
    with house.hub.store.transaction() as tx:
        due = tx.claim_due(NOW + timedelta(hours=1), 50, "test")
    assert any("Another machine sends as this box" in notice.body for notice in due)
