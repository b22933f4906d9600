"""What a box tells of its shelf, its drills and its restores: read strictly, kept for it alone."""

from __future__ import annotations

import json
import zlib
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.hub.stage import CONFIG, EVERY, NOW, enrol, look, report, shop
from tests.hub.test_handover import handover
from tests.store import made
from watcher.facts.identity import BoxId, DriveId, PoolId
from watcher.facts.readiness import (
    MOST_DRILLS,
    MOST_RESTORES,
    MOST_SPARES,
    DrillDone,
    RestoreTried,
    ShelfSpare,
    Source,
    ToldReadiness,
)
from watcher.hub.errors import Refused, Why
from watcher.hub.masking import Mask
from watcher.hub.shop import Shop
from watcher.hub.telling import (
    MOST_UNPACKED,
    TOLD_AGAIN,
    Telling,
    mark_of,
    pack_told,
    plain_of,
    rename_spares,
    told_here,
    unpack_telling,
    within,
)
from watcher.rules.tuning import UNTUNED
from watcher.service.card import Standing, Topic, card_of
from watcher.service.desk import last_view
from watcher.store.database import Store, open_memory

PRESS, BARN = BoxId("press"), BoxId("barn")
SPARE = ShelfSpare(
    number=1,
    identity=made.reading(9).identity,
    added_at=NOW,
    proven_at=NOW,
    proof="written and read in full",
    warranty_until=date(2029, 5, 31),
    place="drawer",
    note="for X0001",
)
DRILL = DrillDone(
    number=1,
    pool=PoolId("tank"),
    pool_name="tank",
    member="bay 3 (Altair A8, 8 TB, serial X0002)",
    by="sam",
    begun_at=NOW,
    answered_at=NOW + timedelta(minutes=3),
    answered_by="sam",
    ended_at=NOW + timedelta(minutes=9),
    went_wrong=("No copy was fresh.",),
)
RESTORE = RestoreTried(thing="photos", copy="nas", at=NOW, by="sam")
FULL = Telling(
    sender="run-1",
    told=ToldReadiness(
        shelf=(SPARE,), drills=(DRILL,), restores=(RESTORE,), watched_since=NOW, own_way=True
    ),
)


def why(body: bytes) -> Why:
    with pytest.raises(Refused) as caught:
        unpack_telling(body)
    return caught.value.why


def changed(**more: Any) -> bytes:
    return pack_told(plain_of(FULL) | more)


def test_what_is_told_comes_out_as_it_went_in() -> None:
    assert unpack_telling(pack_told(plain_of(FULL))) == FULL


def test_as_it_was_written_by_the_first_version_it_is_still_read_as_it_was_meant() -> None:
    """The file was written on 2026-11-25 by version 0.1.0; it is never written anew."""
    kept = json.loads((Path(__file__).parent / "parcels" / "telling-1.json").read_text())
    assert unpack_telling(pack_told(kept)) == FULL


@given(st.binary(max_size=300))
def test_whatever_comes_is_read_or_refused(body: bytes) -> None:
    for sent in (body, zlib.compress(body)):
        try:
            unpack_telling(sent)
        except Refused:
            continue


def test_a_newer_wire_is_refused_and_what_is_not_known_within_one_is_left_out() -> None:
    assert why(changed(wire=2)) is Why.NEWER
    assert why(changed(wire=0)) is Why.UNREADABLE
    assert unpack_telling(changed(weather="fine")) == FULL
    deep = plain_of(FULL)
    deep["told"]["shelf"][0]["colour"] = "blue"
    assert unpack_telling(pack_told(deep)) == FULL


@pytest.mark.parametrize(
    "odd",
    [
        {"sender": ""},
        {"sender": "x" * 500},
        {"told": None},
        {"told": {"shelf": [{"number": 1}]}},
        {"told": {"shelf": "many"}},
        {"told": {"drills": [{"number": "1"}]}},
        {"told": {"own_way": "yes"}},
        {"told": {"watched_since": "2026-11-25T10:00:00"}},
    ],
)
def test_what_makes_no_sense_is_refused(odd: dict[str, Any]) -> None:
    assert why(changed(**odd)) is Why.UNREADABLE


def test_more_than_a_box_can_have_is_refused() -> None:
    plain = plain_of(FULL)
    one = plain["told"]["shelf"][0]
    plain["told"]["shelf"] = [one | {"number": n} for n in range(MOST_SPARES + 1)]
    assert why(pack_told(plain)) is Why.UNREADABLE
    plain["told"]["shelf"] = [one, one]
    assert why(pack_told(plain)) is Why.UNREADABLE
    plain["told"]["shelf"] = [one | {"note": "n" * MOST_UNPACKED}]
    assert why(pack_told(plain)) is Why.TOO_LARGE


def filled() -> Store:
    store = open_memory(now=NOW)
    with store.transaction() as tx:
        tx.take_survey(look(1), NOW + EVERY)
        tx.add_spare(PRESS, SPARE)
        tx.add_restore(PRESS, RESTORE)
        for number in range(MOST_DRILLS + 5):
            tx.save_drill(PRESS, replace(DRILL, number=number + 1, page="long " * 1000))
    return store


def test_a_box_tells_the_newest_of_each_kind_and_no_page_of_a_drill() -> None:
    with filled().snapshot() as tx:
        told = told_here(tx, PRESS, own_way=False)
    assert told.shelf == (SPARE,)
    assert told.restores == (RESTORE,)
    assert [drill.number for drill in told.drills] == list(range(6, MOST_DRILLS + 6))
    assert {drill.page for drill in told.drills} == {""}
    assert told.watched_since == NOW + EVERY
    assert told.own_way is False


def test_it_is_told_once_and_again_when_it_changed_or_after_a_day() -> None:
    store, link = filled(), handover()
    with store.transaction() as tx:
        tells = link.telling(tx, NOW)
        assert tells is not None
        link.told(tx, tells.mark, NOW)
        assert link.telling(tx, NOW + TOLD_AGAIN / 2) is None
        again = link.telling(tx, NOW + TOLD_AGAIN)
        assert again is not None
        assert again.mark == tells.mark
        tx.remove_spare(PRESS, 1)
        other = link.telling(tx, NOW)
        assert other is not None
        assert other.mark != tells.mark
        assert unpack_telling(other.body).told.shelf == ()


def test_what_is_told_stays_masked_where_surveys_are() -> None:
    store = filled()
    link = replace(handover(), mask=Mask(key=b"k" * 32, serials=True, names=("press",)))
    with store.transaction() as tx:
        tx.add_spare(PRESS, replace(SPARE, place="on press, beside X0003"))
        tells = link.telling(tx, NOW)
    assert tells is not None
    text = json.dumps(json.loads(zlib.decompress(tells.body)))
    for secret in ("X0001", "X0002", "X0003", "X0009", "press"):
        assert secret not in text, secret
    assert len(unpack_telling(tells.body).told.shelf) == 2


def test_a_mark_is_of_what_is_told() -> None:
    assert mark_of(FULL.told) == mark_of(unpack_telling(pack_told(plain_of(FULL))).told)
    assert mark_of(FULL.told) != mark_of(replace(FULL.told, own_way=False))


def test_a_spare_that_sits_at_another_client_is_called_otherwise() -> None:
    drive = SPARE.identity.drive if SPARE.identity is not None else DriveId("")
    (spare,) = rename_spares(FULL.told, BARN, frozenset({drive})).shelf
    assert spare.identity is not None
    assert spare.identity.drive == f"{drive}@barn"
    assert rename_spares(FULL.told, BARN, frozenset()) == FULL.told


# --- at the hub --------------------------------------------------------------------------------


def lines_of(hub: Shop, box: BoxId, topic: Topic) -> list[tuple[Standing, str]]:
    with hub.store.snapshot() as tx:
        enrolled = tx.enrolled(box)
        assert enrolled is not None
        view = last_view(tx, box, NOW + 2 * EVERY, hub.clients.of(enrolled))
    assert view is not None
    return [(x.standing, x.sentence) for x in card_of(view, UNTUNED).lines if x.topic is topic]


def test_the_same_desk_judges_what_was_told_and_says_when_nothing_was() -> None:
    hub = shop()
    token = enrol(hub, "press")
    report(hub, token, look(1))
    for topic in (Topic.SHELF, Topic.DRILL):
        ((standing, sentence),) = lines_of(hub, PRESS, topic)
        assert standing is Standing.UNSEEN
        assert sentence.endswith("not told by this box.")
    hub.hear_told(token, replace(FULL, told=ToldReadiness()), NOW + EVERY)
    ((standing, sentence),) = lines_of(hub, PRESS, Topic.SHELF)
    assert (standing, sentence) == (Standing.LACKS, "No spare drive is ready for media.")
    hub.hear_told(token, FULL, NOW + EVERY)
    ((standing, sentence),) = lines_of(hub, PRESS, Topic.SHELF)
    assert standing is Standing.READY
    assert sentence.startswith("1 proven spare ready")
    ((standing, sentence),) = lines_of(hub, PRESS, Topic.DRILL)
    assert standing is Standing.READY


def test_no_rule_speaks_of_a_shelf_that_was_not_told() -> None:
    hub = shop()
    token = enrol(hub, "press")
    month = 32 * 24 * 6
    report(hub, token, look(1))
    report(hub, token, look(3 * month))
    with hub.store.snapshot() as tx:
        rules = {h.finding.rule for c in tx.load_book(PRESS).open_cases for h in c.held}
    assert not rules & {"shelf-empty", "drill-overdue", "silence-unnoticed"}
    hub.hear_told(token, replace(FULL, told=ToldReadiness()), NOW + 3 * month * EVERY)
    report(hub, token, look(3 * month + 1))
    with hub.store.snapshot() as tx:
        rules = {h.finding.rule for c in tx.load_book(PRESS).open_cases for h in c.held}
    assert {"shelf-empty", "drill-overdue"} <= rules


def test_a_shelf_counts_for_the_box_of_the_token_alone() -> None:
    hub = shop()
    press, barn = enrol(hub, "press"), enrol(hub, "barn", "Orchard")
    report(hub, press, look(1))
    report(hub, barn, look(1, first_drive=10), sender="run-2")
    hub.hear_told(press, FULL, NOW + EVERY)
    assert lines_of(hub, PRESS, Topic.SHELF)[0][0] is Standing.READY
    assert lines_of(hub, BARN, Topic.SHELF)[0][0] is Standing.UNSEEN
    with hub.store.snapshot() as tx:
        row = tx.told_by(BARN)
    assert row is not None
    assert row.told is None


def test_a_spare_that_is_known_at_another_client_does_not_touch_what_is_theirs() -> None:
    hub = shop()
    press, barn = enrol(hub, "press"), enrol(hub, "barn", "Orchard")
    report(hub, press, look(1))
    report(hub, barn, look(1, first_drive=10), sender="run-2")
    theirs = replace(SPARE, identity=made.reading(2).identity)
    hub.hear_told(barn, Telling(sender="run-2", told=ToldReadiness(shelf=(theirs,))), NOW + EVERY)
    with hub.store.snapshot() as tx:
        row = tx.told_by(BARN)
        mine = tx.drive_anywhere(made.reading(2).identity.drive)
    assert row is not None
    assert row.told is not None
    assert [s.identity.drive for s in row.told.shelf if s.identity is not None] == [
        f"{made.reading(2).identity.drive}@barn"
    ]
    assert [drive.box for drive in mine] == ["press"]


def test_only_the_run_whose_surveys_are_taken_is_believed() -> None:
    hub = shop()
    token = enrol(hub, "press")
    with pytest.raises(Refused) as caught:
        hub.hear_told(token, FULL, NOW)
    assert caught.value.why is Why.TWO_SENDERS
    report(hub, token, look(1))
    with pytest.raises(Refused):
        hub.hear_told(token, replace(FULL, sender="another"), NOW)
    with pytest.raises(Refused) as caught:
        hub.hear_told("no-token", FULL, NOW)
    assert caught.value.why is Why.NOT_KNOWN
    hub.hear_told(token, FULL, NOW)


def test_another_machine_under_the_same_name_begins_with_nothing_told() -> None:
    hub = shop()
    token = enrol(hub, "press")
    report(hub, token, look(1))
    hub.hear_told(token, FULL, NOW)
    enrol(hub, "press")
    with hub.store.snapshot() as tx:
        row = tx.told_by(PRESS)
        assert row is not None
        assert row.told is None
        assert tx.told_by(hub.clients.own.box) is None


def test_a_hub_notices_silence_so_no_box_of_its_is_told_that_nobody_would() -> None:
    hub = shop()
    report(hub, enrol(hub, "press"), look(1))
    ((standing, sentence),) = lines_of(hub, PRESS, Topic.HEARTBEAT)
    assert (standing, sentence) == (Standing.READY, "This hub notices when the box falls silent.")


def test_a_box_that_reaches_nobody_by_itself_lacks_that() -> None:
    hub = shop()
    token = enrol(hub, "press")
    report(hub, token, look(1))
    told = replace(FULL.told, own_way=False)
    hub.hear_told(token, replace(FULL, told=told), NOW)
    assert (Standing.LACKS) in [standing for standing, _ in lines_of(hub, PRESS, Topic.ROUTE)]
    with hub.store.snapshot() as tx:
        view = last_view(tx, PRESS, NOW + EVERY)
    assert view is not None
    assert view.ready is not None
    assert view.ready.source is Source.TOLD
    assert CONFIG.shop.clients


def long_told(length: int, spares: int = MOST_SPARES) -> ToldReadiness:
    """Give as much as a box can have to tell, with texts of a length."""
    text = "é" * length
    return ToldReadiness(
        shelf=tuple(replace(SPARE, number=n, place=text, note=text) for n in range(spares)),
        drills=(replace(DRILL, went_wrong=(text,) * 9),) * MOST_DRILLS,
        restores=(replace(RESTORE, thing=text, copy=text),) * MOST_RESTORES,
    )


@pytest.mark.parametrize("length", [10, 400, 5000, 60_000])
def test_however_much_a_box_has_to_tell_a_hub_takes_it_and_sees_every_spare(length: int) -> None:
    told = long_told(length)
    body = pack_told(within(plain_of(Telling(sender="run-1", told=told))))
    found = unpack_telling(body).told
    assert [spare.number for spare in found.shelf] == list(range(MOST_SPARES))
    assert {spare.identity for spare in found.shelf} == {SPARE.identity}
    assert len(found.restores) == MOST_RESTORES
    if length == 10:
        assert found == told
    else:
        assert found.shelf[0].note.rstrip("…") in told.shelf[0].note


def test_what_still_has_no_room_is_left_out_from_the_oldest_and_never_grows() -> None:
    plain = plain_of(Telling(sender="run-1", told=long_told(50, spares=40)))
    for most in (200_000, 60_000, 5_000, 700):
        few = within(plain, most)
        assert len(json.dumps(few, ensure_ascii=False).encode()) <= most
        for part in ("shelf", "drills", "restores"):
            kept = few["told"][part]
            assert kept == within(plain)["told"][part][-len(kept) :] or not kept or most < 60_000
        assert unpack_telling(pack_told(few)).sender == "run-1"


def test_a_box_with_more_to_tell_than_a_hub_takes_tells_it_once() -> None:
    """It was refused without a word, and asked for again for ever."""
    store, link = filled(), handover()
    with store.transaction() as tx:
        for number in range(30):
            tx.add_spare(PRESS, replace(SPARE, number=number, note="x" * 60_000))
        tells = link.telling(tx, NOW)
        assert tells is not None
        assert len(unpack_telling(tells.body).told.shelf) == 31
        link.told(tx, tells.mark, NOW)
        assert link.telling(tx, NOW + EVERY) is None
