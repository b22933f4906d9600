"""In order, each once in effect, and never for ever at one that nobody can read."""

from __future__ import annotations

from pathlib import Path
from queue import SimpleQueue

import pytest

from tests.hub.stage import EVERY, NOW, StillClock, enrol, look, shop
from tests.hub.test_handover import BOX, HOUR, desk, handover
from tests.hub.test_telling import SPARE
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.hub import credentials
from watcher.hub.credentials import Credentials
from watcher.hub.enrolment import hash_of, invite, join, renew
from watcher.hub.errors import HubError, Refused, Unreachable, Why
from watcher.hub.fallback import SET_ASIDE, SET_ASIDE_SHOWN
from watcher.hub.sender import GAP_LONGEST_SECONDS, Sender, gap_after
from watcher.hub.shop import Shop
from watcher.hub.telling import ASK_AGAIN, PATH, TOLD_AGAIN, Telling, unpack_telling
from watcher.hub.wire import MOST_SENT, Answer, Joining, unpack, unpack_renewal
from watcher.store.database import Store, open_memory


class Wire:
    """A line to a hub in the same process; it does what it is told before and after."""

    def __init__(self, hub: Shop, clock: StillClock) -> None:
        self.hub, self.clock = hub, clock
        self.before: list[HubError] = []
        self.lose_answers = 0
        self.arrived: list[str] = []
        self.told: list[Telling] = []
        self.is_old = False  # of a version that knows no readiness
        self.poison: dict[str, HubError] = {}  # surveys that the hub cannot take
        self.too_much = ""  # one of which it can take the bones only

    def post(self, path: str, body: bytes, token: str = "") -> Answer:
        if self.before:
            raise self.before.pop(0)
        if path == "/box/token":
            with self.hub.store.transaction() as tx:
                renew(tx, token, unpack_renewal(body).token_hash, self.clock.now())
            return Answer()
        if path == PATH:
            if self.is_old:
                raise Unreachable("what answers there is no hub (status 404)")
            self.told.append(unpack_telling(body))
            return self.hub.hear_told(token, self.told[-1], self.clock.now())
        parcel = unpack(body)
        if parcel.survey.survey in self.poison:
            raise self.poison[parcel.survey.survey]
        if parcel.survey.survey == self.too_much and parcel.survey.drives:
            raise Refused(Why.FAULT, "A drive too many.")
        answer = self.hub.take(token, parcel, "192.0.2.7", self.clock.now()).answer
        self.arrived.append(parcel.survey.survey)
        if self.lose_answers:
            self.lose_answers -= 1
            raise Unreachable("the line was cut")
        return answer

    def close(self) -> None:
        """Nothing is open."""


class Scene:
    def __init__(self, folder: Path, surveys: int, *, lost_at: int = 99) -> None:
        self.clock = StillClock(NOW + surveys * EVERY)
        self.hub = shop()
        self.token = enrol(self.hub, "press")
        self.store: Store = open_memory(now=NOW)
        self.link = handover()
        self.said: list[str] = []
        self.looks: list[str] = []
        box = desk(self.store, self.link)
        for number in range(1, surveys + 1):
            box.take_in(look(number, lost=int(number >= lost_at)), NOW + number * EVERY)
        self.wire = Wire(self.hub, self.clock)
        self.folder = folder
        known = Credentials(url="http://127.0.0.1:1", box="press", token=self.token)
        credentials.save(folder, known)
        self.sender = Sender(
            store=lambda: self.store,
            handover=self.link,
            line=self.wire,
            folder=folder,
            known=known,
            clock=self.clock,
            chance=lambda: 1.0,
            look=lambda: self.looks.append("look"),
            say=self.said.append,
        )

    def waiting(self) -> int:
        with self.store.snapshot() as tx:
            return tx.outgoing_size()[1]

    def taken(self) -> list[str]:
        with self.hub.store.snapshot() as tx:
            rows = tx.db.rows("SELECT survey FROM survey ORDER BY taken_at")
        return [row["survey"] for row in rows]


def test_a_fault_of_ours_is_said_and_does_not_end_the_sending(tmp_path: Path) -> None:
    """Else nothing would reach the hub until the watch is started again, and nobody would know."""
    scene, came = Scene(tmp_path, 1), SimpleQueue[str]()
    scene.wire.before = [ZeroDivisionError("oops")]  # type: ignore[list-item]
    scene.sender._say = came.put
    scene.sender.start()
    assert "a fault of ours (ZeroDivisionError: oops" in came.get(timeout=60)
    scene.sender.wake()
    assert came.get(timeout=60) == "The hub takes the surveys in."
    scene.sender.stop()
    assert scene.wire.arrived == ["look-1"]


def test_what_waited_goes_in_order(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 4)
    assert [scene.sender.step() for _ in range(4)] == [0.0] * 4
    assert scene.wire.arrived == ["look-1", "look-2", "look-3", "look-4"]
    assert scene.sender.step() > 0
    assert scene.said == []


def test_a_lost_answer_makes_it_come_again_and_it_counts_once(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 2)
    scene.wire.lose_answers = 1
    assert scene.sender.step() > 0
    assert scene.waiting() == 2
    while scene.sender.step() == 0.0:
        pass
    assert scene.wire.arrived == ["look-1", "look-1", "look-2"]
    assert scene.taken() == ["press|look-1", "press|look-2"]
    assert "Hub: the line was cut" in scene.said
    assert scene.said[-1] == "The hub takes the surveys in."


def test_gaps_grow_to_a_bound() -> None:
    gaps = [gap_after(n, 1.0) for n in range(1, 30)]
    assert gaps == sorted(gaps)
    assert gaps[-1] == GAP_LONGEST_SECONDS
    assert gap_after(3, 0.0) == gap_after(3, 1.0) / 2


@pytest.mark.parametrize("why", [Why.NEWER, Why.NOT_KNOWN, Why.TWO_SENDERS, Why.BUSY])
def test_a_hub_that_refuses_the_box_makes_it_keep_everything(tmp_path: Path, why: Why) -> None:
    scene = Scene(tmp_path, 1)
    scene.wire.before = [Refused(why, "No.") for _ in range(20)]
    for _ in range(20):
        assert scene.sender.step() > 0
    assert scene.waiting() == 1


@pytest.mark.parametrize("why", [Why.UNREADABLE, Why.TOO_LARGE, Why.FAULT])
def test_one_that_the_hub_cannot_take_does_not_hold_up_the_others_for_ever(
    tmp_path: Path, why: Why
) -> None:
    """It is set aside once the hub took a later one, and its messages leave from the box."""
    scene = Scene(tmp_path, 3, lost_at=2)
    scene.wire.poison = {"look-2": Refused(why, "Not this one.")}
    for _ in range(20):
        scene.sender.step()
    assert scene.taken() == ["press|look-1", "press|look-3"]
    assert "Hub: A survey is not sent any more: Not this one." in scene.said
    now = scene.clock.now()
    with scene.store.transaction() as tx:
        (note,) = scene.link.findings(tx, now)
        assert tx.claim_due(now, 9, "d"), "nobody else can say what it had to say"
    assert note.rule == "survey-not-taken"
    assert note.evidence[0].value == "Not this one."
    assert "survey of 01 Mar 06:20 UTC" in note.sentence
    later = now + SET_ASIDE_SHOWN
    with scene.store.snapshot() as tx:
        assert "survey-not-taken" not in {f.rule for f in scene.link.findings(tx, later)}
        assert SET_ASIDE in scene.link.works(tx, later)


def test_what_weighs_of_it_is_taken_where_the_hub_can_take_that(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 2, lost_at=1)
    scene.wire.too_much = "look-1"
    for _ in range(20):
        scene.sender.step()
    assert scene.taken() == ["press|look-1", "press|look-2"]
    with scene.hub.store.snapshot() as tx:
        rules = {f.rule for case in tx.load_book(BOX).open_cases for f in case.standing}
    assert "margin-gone" in rules
    with scene.store.transaction() as tx:
        assert tx.claim_due(scene.clock.now(), 9, "d"), "the hub did not see all of it"


def test_a_hub_that_fails_at_all_of_them_makes_the_box_keep_all(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 4)
    scene.wire.poison = {f"look-{n}": Refused(Why.FAULT, "Out of order.") for n in range(5)}
    for _ in range(60):
        assert scene.sender.step() > 0
    assert scene.waiting() == 4
    scene.wire.poison = {}
    while scene.waiting():
        assert scene.sender.step() == 0.0
    assert scene.taken() == [f"press|look-{n}" for n in range(1, 5)]


def test_of_several_that_cannot_be_taken_each_is_set_aside_and_nothing_else(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 6)
    scene.wire.poison = {f"look-{n}": Refused(Why.FAULT, "No.") for n in (2, 3, 5)}
    for _ in range(60):
        scene.sender.step()
    assert scene.taken() == [f"press|look-{n}" for n in (1, 4, 6)]
    assert scene.waiting() == 0


def test_one_that_is_larger_than_a_hub_takes_is_not_even_sent(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 1)
    with scene.store.transaction() as tx:
        one = tx.first_outgoing()
        assert one is not None
        tx.thin_outgoing(one.number, 0, one.body + bytes(MOST_SENT))
    for _ in range(3):
        scene.sender.step()
    assert scene.wire.arrived == []
    assert any("at most" in line for line in scene.said)


@pytest.mark.parametrize("why", [Why.NOT_KNOWN, Why.TWO_SENDERS, Why.RETURNED, Why.NEWER])
def test_a_hub_that_refuses_this_box_is_a_matter_for_today_and_not_for_patience(
    tmp_path: Path, why: Why
) -> None:
    scene = Scene(tmp_path, 2)
    scene.wire.before = [Refused(why, "Not from you.")]
    scene.sender.step()
    with scene.store.snapshot() as tx:
        (found,) = scene.link.findings(tx, scene.clock.now() + 2 * HOUR)
    assert (found.rule, found.urgency) == ("hub-away", Urgency.TODAY)
    assert found.next_step == "The hub is there and refuses. It says: Not from you."
    scene.wire.before = [Unreachable("no line")]
    scene.sender.step()
    with scene.store.snapshot() as tx:
        (found,) = scene.link.findings(tx, scene.clock.now() + 2 * HOUR)
    assert found.urgency is Urgency.NOTE


def test_a_hub_can_ask_for_a_new_survey(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 1)
    with scene.hub.store.transaction() as tx:
        tx.want_look(BOX)
    scene.sender.step()
    assert scene.looks == ["look"]


def test_an_old_token_is_replaced_and_ends(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 2)
    scene.clock.at += 31 * 144 * EVERY
    scene.sender.step()
    kept = credentials.load(tmp_path)
    assert kept is not None
    assert kept.next_token
    scene.sender.step()
    after = credentials.load(tmp_path)
    assert after is not None
    assert (after.token, after.next_token) == (kept.next_token, "")
    with scene.hub.store.snapshot() as tx:
        assert tx.shown(hash_of(scene.token)) is None
        assert tx.shown(hash_of(after.token)) is not None


def test_a_thread_sends_and_stops(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 3)
    scene.sender.start()
    scene.sender.wake()
    scene.sender.stop()
    assert scene.taken() == [f"press|look-{n}" for n in range(1, len(scene.taken()) + 1)]


def test_how_the_box_is_prepared_is_told_after_the_surveys_and_when_it_changed(
    tmp_path: Path,
) -> None:
    scene = Scene(tmp_path, 2)
    assert [scene.sender.step() for _ in range(2)] == [0.0, 0.0]
    assert scene.wire.told == []
    for _ in range(3):
        assert scene.sender.step() > 0
    assert [telling.told.shelf for telling in scene.wire.told] == [()]
    with scene.store.transaction() as tx:
        tx.add_spare(BOX, SPARE)
    scene.sender.step()
    assert [len(telling.told.shelf) for telling in scene.wire.told] == [0, 1]
    with scene.hub.store.snapshot() as tx:
        row = tx.told_by(BOX)
    assert row is not None
    assert row.told == scene.wire.told[-1].told
    scene.clock.at += TOLD_AGAIN
    scene.sender.step()
    assert len(scene.wire.told) == 3


def test_a_run_of_which_the_hub_took_nothing_yet_tells_nothing(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 0)
    scene.sender.step()
    assert scene.wire.told == []


def test_a_hub_too_old_to_be_told_is_no_trouble_and_is_asked_again_later(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 1)
    scene.wire.is_old = True
    for _ in range(4):
        scene.sender.step()
    assert scene.said == []
    assert scene.waiting() == 0
    scene.wire.is_old = False
    scene.sender.step()
    assert scene.wire.told == []
    scene.clock.at += ASK_AGAIN
    scene.sender.step()
    assert len(scene.wire.told) == 1


def test_that_the_line_is_cut_while_it_is_told_loses_nothing(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 1)
    assert scene.sender.step() == 0.0
    scene.wire.before = [Unreachable("the line was cut")]
    scene.sender.step()
    assert scene.wire.told == []
    scene.clock.at += ASK_AGAIN
    scene.sender.step()
    assert len(scene.wire.told) == 1
    assert scene.said == []


def test_a_box_that_joins_again_while_its_watch_runs_goes_on_and_tells_how_it_is_prepared(
    tmp_path: Path,
) -> None:
    """The join is another process; what the hub was told before, it forgot."""
    scene = Scene(tmp_path, 3)
    assert [scene.sender.step() for _ in range(3)] == [0.0] * 3
    scene.sender.step()
    assert len(scene.wire.told) == 1
    with scene.hub.store.transaction() as tx:
        tx.revoke_box(BoxId("press"))
    desk(scene.store, scene.link).take_in(look(4), NOW + 4 * EVERY)
    scene.clock.at = NOW + 4 * EVERY
    assert scene.sender.step() > 0
    assert "not known here" in scene.said[-1]
    with scene.hub.store.transaction() as tx:
        asked = Joining(
            code=invite(tx, "Harbour", "press", scene.clock.at),
            box="press",
            token_hash=hash_of("the-token-of-another-join"),
        )
        join(tx, asked, scene.clock.at)
    url = "http://127.0.0.1:1"
    credentials.save(tmp_path, Credentials(url=url, box="press", token="the-token-of-another-join"))
    assert [scene.sender.step() for _ in range(2)] == [0.0, 0.0]
    assert scene.taken()[-1].endswith("look-4")
    scene.sender.step()
    assert len(scene.wire.told) == 2
