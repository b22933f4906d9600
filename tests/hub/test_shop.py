"""The hub's desk: every box in its own book, each survey once, nobody sees another's."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.hub.stage import EVERY, NOW, enrol, look, messages, parcel, report, shop, standing_of
from tests.store import made
from watcher.cases.state import Book
from watcher.facts.identity import BoxId, Subject, SubjectKind
from watcher.facts.survey import Survey
from watcher.hub.enrolment import hash_of, renew
from watcher.hub.errors import Refused, Why
from watcher.hub.passing import PassingTime
from watcher.hub.shop import Arrived, Came, Shop
from watcher.hub.strangers import own_finding, own_survey
from watcher.hub.wire import pack, unpack_to_keep
from watcher.store.database import open_store
from watcher.store.hub import BoxState

pytestmark = pytest.mark.usefixtures("each_ground")

LEAST = timedelta(minutes=45)


def test_a_survey_that_comes_again_counts_once() -> None:
    hub = shop()
    token = enrol(hub, "press")
    first = report(hub, token, look(1, lost=1))
    told = messages(hub)
    again = report(hub, token, look(1, lost=1))
    assert first.told
    assert not again.told
    assert again.answer.taken == first.answer.taken == "look-1"
    assert messages(hub) == told


def test_a_loss_of_margin_is_told_to_the_shop_and_the_client_and_to_nobody_else() -> None:
    hub = shop()
    report(hub, enrol(hub, "press"), look(1, lost=1))
    PassingTime(hub).due(NOW + EVERY + timedelta(minutes=2))
    assert {(box, who) for box, who, _ in messages(hub)} == {("press", "sam"), ("press", "ann")}


def test_two_boxes_that_call_themselves_the_same_and_number_alike_do_not_mix() -> None:
    hub = shop()
    one, two = enrol(hub, "press"), enrol(hub, "archive", "Orchard")
    report(hub, one, look(1, lost=1))
    report(hub, two, look(1, first_drive=10))
    with hub.store.snapshot() as tx:
        assert len(tx.load_book(BoxId("press")).open_cases) >= 1
        pools = [tx.last_survey(BoxId(b)).pools[0].protection for b in ("press", "archive")]
        assert pools == ["bare", "whole"]
        assert {d.identity.drive for d in tx.drives(BoxId("archive"))} == {
            made.drive_id(n) for n in range(10, 14)
        }


def test_a_client_that_claims_the_drives_of_another_neither_sees_nor_changes_them() -> None:
    hub = shop()
    one, two = enrol(hub, "press"), enrol(hub, "thief", "Orchard")
    report(hub, one, look(1))
    with hub.store.snapshot() as tx:
        before = tx.drive_pasts(BoxId("press"), NOW, NOW)
    report(hub, two, look(2))
    with hub.store.snapshot() as tx:
        assert tx.drive_pasts(BoxId("press"), NOW, NOW) == before
        stolen = tx.drive_pasts(BoxId("thief"), NOW, NOW)
    assert set(stolen) == {f"{drive}@thief" for drive in before}
    assert all(past.first_seen == NOW + 2 * EVERY for past in stolen.values())


def test_a_drive_that_moves_between_boxes_of_one_client_keeps_its_history() -> None:
    hub = shop()
    one, two = enrol(hub, "press"), enrol(hub, "archive")
    report(hub, one, look(1))
    report(hub, two, look(5))
    with hub.store.snapshot() as tx:
        moved = tx.drive_pasts(BoxId("archive"), NOW, NOW)
    assert moved[made.drive_id(1)].first_seen == NOW + EVERY


def test_what_a_box_calls_itself_is_not_believed() -> None:
    mine = own_survey(BoxId("press"), look(1))
    assert (mine.box, mine.survey) == ("press", "press|look-1")
    about_box = replace(made.finding(), subject=Subject(kind=SubjectKind.BOX, key="liar"))
    assert own_finding(BoxId("press"), about_box).subject.key == "press"


def test_a_copy_of_a_box_is_noticed_and_nothing_is_mixed() -> None:
    hub = shop()
    token = enrol(hub, "press")
    report(hub, token, look(1), sender="first")
    report(hub, token, replace(look(2), survey="copy-2"), sender="copy")
    report(hub, token, look(3), sender="first")
    with pytest.raises(Refused) as caught:
        report(hub, token, replace(look(4), survey="copy-4"), sender="copy")
    assert caught.value.why is Why.TWO_SENDERS
    report(hub, token, look(5), sender="first")
    with hub.store.snapshot() as tx:
        book = tx.load_book(BoxId("press"))
    assert any(case.holds("two-senders/box:press") for case in book.open_cases)


def test_a_box_that_was_started_again_is_no_copy() -> None:
    hub = shop()
    token = enrol(hub, "press")
    for number, sender in enumerate(("a", "a", "b", "b", "c")):
        report(hub, token, look(number), sender=sender)
    with hub.store.snapshot() as tx:
        assert not tx.has_second_sender(BoxId("press"), NOW)


def test_a_hub_asks_for_a_survey_with_its_answer_and_once() -> None:
    hub = shop()
    token = enrol(hub, "press")
    report(hub, token, look(1))
    with hub.store.transaction() as tx:
        tx.want_look(BoxId("press"))
    assert report(hub, token, look(2)).answer.look
    assert not report(hub, token, look(3)).answer.look


def test_an_old_token_is_to_be_renewed() -> None:
    hub = shop()
    token = enrol(hub, "press", now=NOW - timedelta(days=31))
    assert report(hub, token, look(1)).answer.renew


def test_that_a_box_spoke_alone_stands_in_its_record() -> None:
    hub = shop()
    token = enrol(hub, "press")
    report(hub, token, look(1))
    report(hub, token, look(9), alone_since=NOW + 5 * EVERY)
    with hub.store.snapshot() as tx:
        assert [r.what for r in tx.records(BoxId("press"), 0)].count("box-spoke-alone") == 1


def test_a_stranger_is_refused() -> None:
    with pytest.raises(Refused) as caught:
        shop().take("nobody-knows-this-one", parcel(look(1)), "192.0.2.7", NOW)
    assert caught.value.why is Why.NOT_KNOWN


def test_a_drive_that_goes_by_another_name_here_keeps_it_when_only_its_pool_still_names_it() -> (
    None
):
    hub = shop()
    one, two = enrol(hub, "press"), enrol(hub, "shed", "Orchard")
    report(hub, one, look(1))
    report(hub, two, look(2))
    report(hub, two, look(3, lost=1))
    with hub.store.snapshot() as tx:
        survey = tx.last_survey(BoxId("shed"))
    assert survey is not None
    named = {drive for pool in survey.pools for drive in pool.drives}
    assert all(drive.endswith("@shed") for drive in named)


def last_survey(hub: Shop, box: str) -> Survey:
    with hub.store.snapshot() as tx:
        found = tx.last_survey(BoxId(box))
    assert found is not None
    return found


def book(hub: Shop, box: str) -> Book:
    with hub.store.snapshot() as tx:
        return tx.load_book(BoxId(box))


def test_a_survey_kept_as_it_was_sent_reads_as_the_one_that_was_taken_in() -> None:
    """Box and id are ours, whatever the box calls itself, and events of the box are about ours."""
    said = replace(made.event(), subject=Subject(kind=SubjectKind.BOX, key="what it calls itself"))
    told = parcel(replace(look(1), events=(said,)))
    plain, kept = shop(), shop()
    for hub, sent in ((plain, b""), (kept, pack(told))):
        hub.take(enrol(hub, "press"), told, "192.0.2.7", NOW, sent)
    found = [last_survey(hub, "press") for hub in (plain, kept)]
    assert found[0] == found[1]
    assert found[0].box == "press"
    assert found[0].events[0].subject == Subject(kind=SubjectKind.BOX, key="press")


def test_raw_answers_are_left_out_of_the_survey_that_is_kept() -> None:
    whole = look(1)
    told = parcel(replace(whole, drives=tuple(replace(r, raw="{}") for r in whole.drives)))
    hub = shop()
    hub.take(enrol(hub, "press"), told, "192.0.2.7", NOW, pack(told))
    assert [reading.raw for reading in last_survey(hub, "press").drives] == [""] * len(whole.drives)
    assert whole.drives


def test_what_was_left_out_of_a_newer_box_is_noted_in_the_survey_that_is_kept() -> None:
    told = json.loads(zlib.decompress(pack(parcel(look(1)))))
    told["survey"]["sparkle"] = 1
    body = zlib.compress(json.dumps(told).encode())
    read, sent = unpack_to_keep(body)
    hub = shop()
    hub.take(enrol(hub, "press"), read, "192.0.2.7", NOW, sent)
    assert any("sparkle" in doubt for doubt in last_survey(hub, "press").doubts)


class Between(Shop):
    """A shop in which something happens between the look at the store and the transaction."""

    happens: Callable[[], object] | None = None

    def _take_once(self, token: str, came: Arrived) -> Came:
        happens, self.happens = self.happens, None
        if happens is not None:
            happens()
        return super()._take_once(token, came)


def between(folder: Path) -> Between:
    plain = shop(open_store(folder / "hub.db", now=NOW))
    return Between(plain.store, plain.clients, ahead=True)


def test_what_was_judged_ahead_counts_while_nothing_changed(tmp_path: Path) -> None:
    """The same findings, book and messages as without, survey by survey."""
    plain, ahead = shop(), between(tmp_path)
    tokens = [enrol(hub, "press") for hub in (plain, ahead)]
    for number in range(1, 5):
        for hub, token in zip((plain, ahead), tokens, strict=True):
            report(hub, token, look(number))
        books = [book(hub, "press") for hub in (plain, ahead)]
        assert books[0] == books[1]


def test_what_a_person_said_meanwhile_is_seen_in_the_transaction(tmp_path: Path) -> None:
    """A drive that is retired between look and transaction is not missed."""
    hub = between(tmp_path)
    token = enrol(hub, "press")
    report(hub, token, look(1))
    gone = look(2)
    left = gone.drives[0].identity.drive

    def retire() -> None:
        with hub.store.transaction() as tx:
            assert tx.retire_drive(left)

    hub.happens = retire
    report(hub, token, replace(gone, drives=gone.drives[1:], answered=("drive-discovery",)))
    rules = {f.rule for case in book(hub, "press").open_cases for f in case.standing}
    assert "drive-gone" not in rules


def test_the_same_survey_twice_at_once_counts_once(tmp_path: Path) -> None:
    hub = between(tmp_path)
    token = enrol(hub, "press")
    other = Shop(hub.store, hub.clients)
    hub.happens = lambda: report(other, token, look(1))
    report(hub, token, look(1))
    with hub.store.snapshot() as tx:
        drive = tx.drives(BoxId("press"))[0].identity.drive
        (day,) = tx.poll_days(drive, NOW - timedelta(days=1), NOW + EVERY)
    assert day.read == 1


def test_a_message_names_the_box_in_the_command_by_which_its_case_is_taken() -> None:
    hub = shop()
    token = enrol(hub, "front desk")
    report(hub, token, look(1))
    report(hub, token, look(2, lost=1))
    with hub.store.snapshot() as tx:
        bodies = [notice.body for notice in tx.list_notices(BoxId("front desk"))]
    assert bodies
    assert all("midwatch ack 1 --box 'front desk'" in body for body in bodies)


def test_what_is_there_and_cannot_be_taken_in_is_a_case_until_something_is() -> None:
    hub = shop()
    token = enrol(hub, "press")
    report(hub, token, look(1))
    assert hub.could_not_take(token, "it is cut", NOW + 2 * EVERY)
    assert not hub.could_not_take(token, "it is cut", NOW + 3 * EVERY), "told once"
    assert "survey-not-taken" in standing_of(hub, "press")
    assert not hub.could_not_take("no-token", "it is cut", NOW)
    report(hub, token, look(4))
    assert "survey-not-taken" not in standing_of(hub, "press")
    with hub.store.transaction() as tx:
        tx.set_box_state(BoxId("press"), BoxState.RETURNED, NOW)
    assert not hub.could_not_take(token, "it is cut", NOW + 5 * EVERY)


def test_a_token_that_was_replaced_is_remembered_as_such_for_its_box() -> None:
    hub = shop()
    token = enrol(hub, "press")
    report(hub, token, look(1))
    with hub.store.transaction() as tx:
        renew(tx, token, hash_of("the-next-of-press-0123"), NOW)
        assert tx.box_of_replaced(hash_of(token)) is None
    report(hub, "the-next-of-press-0123", look(2))
    with hub.store.snapshot() as tx:
        assert not tx.knows_token(hash_of(token))
        assert tx.knows_token(hash_of("the-next-of-press-0123"))
        assert tx.box_of_replaced(hash_of(token)) == "press"
    assert hub.replaced_token_shown(hash_of(token), NOW + 3 * EVERY)
    assert not hub.replaced_token_shown(hash_of(token), NOW + 3 * EVERY), "told once"
    assert not hub.replaced_token_shown(hash_of("odd"), NOW)
    report(hub, "the-next-of-press-0123", look(4))
    assert "two-senders" in standing_of(hub, "press")
    report(hub, "the-next-of-press-0123", look(4 + 144))
    assert "two-senders" not in standing_of(hub, "press")
