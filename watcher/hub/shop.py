"""The hub's desk: takes in the surveys of many boxes, each in a book of its own.

One transaction per survey holds all of it: who sent it, the history, the book, the messages, and
when the book falls due. What a box calls itself is not believed: its surveys belong to the box of
its token, and its ids count within that box only, so that no box can spoil another's. A drive that
is known to sit in another client's box gets a name of its own here: one client never sees, and
never changes, what is another's.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from watcher.cases.effects import Record
from watcher.cases.observations import SurveyJudged
from watcher.facts.finding import Finding
from watcher.facts.identity import DriveId
from watcher.facts.survey import Survey
from watcher.hub.about_box import not_taken, second_sender
from watcher.hub.clients import Clients
from watcher.hub.dating import clock_differs, dated, differs
from watcher.hub.enrolment import TOKEN_RENEWED, hash_of, identify
from watcher.hub.errors import Refused, Why
from watcher.hub.quiet import (
    ROUNDS_MISSED,
)
from watcher.hub.storm import put_off
from watcher.hub.strangers import drives_named, own_finding, own_survey, rename_drives
from watcher.hub.telling import Telling, drives_told, rename_spares
from watcher.hub.turn import Turn
from watcher.hub.wire import Answer, Parcel
from watcher.service.desk import EVENTS_BACK, Ahead, Desk
from watcher.service.outlook import FORECASTS
from watcher.store.ahead import Coming
from watcher.store.database import Store
from watcher.store.errors import StoreRaced
from watcher.store.floor import Gap
from watcher.store.hub import BoxState, EnrolledBox
from watcher.store.transaction import Transaction

NOT_TAKEN_AT = "not-taken-at"
"""Under this name stands when a box last sent something that could not be taken in."""

SET_BACK = "one set back"
"""By this name one that shows a replaced token is kept among those of whom nothing is taken."""

RACES = 2
"""How often a survey is taken up again at once when another process was faster at the same row, as
when a drive is new in two boxes at the same moment. Our choice."""

SECOND_SENDER_HOLDS = timedelta(hours=24)
"""How long after its last try a second sender still counts; our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    """What came of a parcel."""

    answer: Answer
    told: bool = False  # there are messages to deliver


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrived:
    """A parcel at the door."""

    parcel: Parcel
    address: str
    now: datetime
    sent: bytes = b""  # as it was sent, where that says the same
    behind: timedelta | None = None  # the box's clock behind the hub's; None: the box does not say
    ahead: Ahead | None = None  # what was found of its survey before its transaction
    strange: frozenset[DriveId] = frozenset()  # the drives that went by another name in that


class Shop:
    """Decides for many boxes over one store."""

    def __init__(self, store: Store, clients: Clients, *, ahead: bool = False) -> None:
        """Work over a store.

        With ``ahead`` surveys are judged before the store is taken for writing: for one of
        several processes on one file, of which one can write at a time.
        """
        self.store = store
        self.clients = clients
        self._ahead = ahead
        self._turn = Turn(store.path if ahead else None)

    def take(
        self,
        token: str,
        parcel: Parcel,
        address: str,
        now: datetime,
        sent: bytes = b"",
        behind: timedelta | None = None,
    ) -> Came:
        """Take in what a box sent. Raises Refused, StoreError; then nothing has changed.

        ``sent`` are the bytes of the parcel, where they say the same as it does, ``behind`` is by
        how much the clock of the box is behind ours, where it says so; see ``dating``.

        A survey that was taken in before is answered the same way and changes nothing. Surveys of
        other boxes may be taken in beside it, by other processes.
        """
        came = Arrived(parcel=parcel, address=address, now=now, sent=sent, behind=behind)
        if self._ahead:
            came = self._judged_ahead(token, came)
        for _ in range(RACES):
            with suppress(StoreRaced):
                return self._take_once(token, came)
        return self._take_once(token, came)

    def _judged_ahead(self, token: str, came: Arrived) -> Arrived:
        """Judge a survey on a look at the store, unless it will not be taken in."""
        with self.store.snapshot() as tx:
            shown = tx.shown(hash_of(token))
            if shown is None:
                return came
            survey = own_survey(shown.box.box, came.parcel.survey)
            if tx.knows_survey(survey.survey):
                return came
            survey, strange = renamed(tx, shown.box, dated_here(tx, survey, came))
            desk = Desk(self.store, self.clients.of(shown.box))
            return replace(came, ahead=desk.judge_ahead(tx, survey, came.now), strange=strange)

    def _take_once(self, token: str, came: Arrived) -> Came:
        parcel, now = came.parcel, came.now
        with self._turn.taken(), self.store.transaction(beside=True) as tx:
            shown = identify(tx, token, now)
            box = shown.box
            survey = own_survey(box.box, parcel.survey)
            renew = now - shown.made_at >= TOKEN_RENEWED
            answer = Answer(taken=parcel.survey.survey, renew=renew, look=box.look_wanted)
            tx.ask_ahead(box.box, _coming(parcel, survey, now))
            if tx.knows_survey(survey.survey):
                return Came(answer=answer)
            clash = self._mind_senders(tx, box, parcel.sender, now)
            if not clash:
                return Came(answer=answer, told=self._take(tx, box, survey, came))
        raise Refused(
            Why.TWO_SENDERS,
            "Another machine sends as this box. Nothing is mixed: surveys are taken from the one "
            "that was known first. Join the other one with a code of its own.",
        )

    def _take(self, tx: Transaction, box: EnrolledBox, survey: Survey, came: Arrived) -> bool:
        """Take a survey in; True when there are messages to deliver."""
        parcel, now = came.parcel, came.now
        as_dated = dated_here(tx, survey, came)
        as_sent = as_dated is survey
        survey, strange = renamed(tx, box, as_dated)
        desk = Desk(self.store, self.clients.of(box))
        besides = tuple(own_finding(box.box, f) for f in parcel.besides)
        if came.behind is not None and differs(came.behind):
            besides += (clock_differs(box, came.behind, now),)
        if tx.has_second_sender(box.box, now - SECOND_SENDER_HOLDS):
            besides += (second_sender(box, now),)
        tx.sender_heard(box.box, parcel.sender, now)
        mind_gap(tx, box, survey, parcel.every_seconds)
        outcome = desk.take_within(
            tx,
            survey,
            now,
            besides=besides,
            works=frozenset(parcel.works),
            ahead=came.ahead if came.strange == strange else None,
            sent=came.sent if as_sent and not strange else b"",
        )
        if parcel.alone_since is not None and (
            box.heard_at is None or parcel.alone_since > box.heard_at
        ):
            words = f"since {parcel.alone_since:%Y-%m-%d %H:%M} UTC, for its hub took nothing in"
            record = Record(case=0, at=now, what="box-spoke-alone", by="", text=words)
            tx.add_records(box.box, (record,))
        tx.box_heard(
            box.box,
            now,
            every_seconds=parcel.every_seconds,
            address=came.address,
            sender=parcel.sender,
            due_at=outcome.deadline,
        )
        if outcome.told:
            put_off(tx, box.box, now)
        return bool(outcome.told)

    def hear_told(self, token: str, telling: Telling, now: datetime) -> Answer:
        """Keep what a box told of how it is prepared. Raises Refused, StoreError.

        Only from the run of its program whose surveys are taken. What is judged by it is judged
        with the next survey. A spare that is known to sit at another client is none of theirs.
        """
        with self.store.transaction() as tx:
            box = identify(tx, token, now).box
            if box.sender != telling.sender:
                raise Refused(
                    Why.TWO_SENDERS, "What a box tells is taken after a survey of the same run."
                )
            drives = frozenset(drive.drive for drive in drives_told(telling.told))
            strange = tx.strangers(box.box, box.client, drives)
            tx.save_told(box.box, rename_spares(telling.told, box.box, strange), now)
            return Answer(box=box.box, client=box.client)

    def _mind_senders(self, tx: Transaction, box: EnrolledBox, sender: str, now: datetime) -> bool:
        """Notice a second sender under one identity; True when nothing is taken from this one.

        Each run of a box's program has a name. One that comes back after another took its place
        is still running: then the one that was known first stays, the other is refused.
        """
        known = tx.sender(box.box, sender)
        if known is not None and known.refused_at is not None:
            tx.refuse_sender(box.box, sender, now)
            return True
        if known is None or box.sender in {"", sender}:
            return False
        other = tx.sender(box.box, box.sender)
        first_is_this = other is None or known.first_at <= other.first_at
        tx.refuse_sender(box.box, box.sender if first_is_this else sender, now)
        return not first_is_this

    def could_not_take(self, token: str, why: str, now: datetime) -> bool:
        """Open the case of a box that is there and whose surveys cannot be taken in.

        True when there are messages to deliver. ``why`` is a part of a sentence. The next survey
        that is taken in clears it. Raises StoreError.
        """
        with self.store.transaction(beside=True) as tx:
            shown = tx.shown(hash_of(token))
            if shown is None or shown.box.state is not BoxState.WATCHED:
                return False
            tx.keep(shown.box.box, NOT_TAKEN_AT, now.isoformat())
            return bool(self.open_case(tx, shown.box, not_taken(shown.box, why, now), now))

    def replaced_token_shown(self, hashed: str, now: datetime) -> bool:
        """Tell of a box whose token was shown after it had taken another.

        Either the box was set back to an older image, or somebody else has what it had. True when
        there are messages to deliver. Raises StoreError.
        """
        with self.store.transaction(beside=True) as tx:
            name = tx.box_of_replaced(hashed)
            box = tx.lock_box(name) if name is not None else None
            if box is None or box.state is not BoxState.WATCHED:
                return False
            tx.refuse_sender(box.box, SET_BACK, now)
            return bool(self.open_case(tx, box, second_sender(box, now), now))

    def open_case(
        self, tx: Transaction, box: EnrolledBox, finding: Finding, now: datetime
    ) -> bool | None:
        """Bring a finding about a box into its book; True when there are messages to deliver.

        None when it is known already.
        """
        book = tx.load_book(box.box)
        if any(case.is_open and case.holds(finding.key) for case in book.cases):
            return None
        desk = Desk(self.store, self.clients.of(box))
        taken_at = book.last_survey_at or box.joined_at
        judged = SurveyJudged(findings=(finding,), seen=frozenset(), taken_at=taken_at)
        outcome = desk.hear_within(tx, judged, now)
        tx.set_due(box.box, outcome.deadline)
        if outcome.told:
            put_off(tx, box.box, now)
        return bool(outcome.told)


def _coming(parcel: Parcel, survey: Survey, now: datetime) -> Coming:
    """Say what will be asked about a survey."""
    return Coming(
        survey=survey.survey,
        taken_at=survey.taken_at,
        sender=parcel.sender,
        refused_since=now - SECOND_SENDER_HOLDS,
        events_since=now - EVENTS_BACK,
        kept=FORECASTS,
    )


def renamed(tx: Transaction, box: EnrolledBox, survey: Survey) -> tuple[Survey, frozenset[DriveId]]:
    """Give a survey in which drives that are known at other clients go by a name of their own."""
    strange = tx.strangers(box.box, box.client, drives_named(survey))
    if strange:
        survey = rename_drives(survey, {d: DriveId(f"{d}@{box.box}") for d in strange})
    return survey, strange


def dated_here(tx: Transaction, survey: Survey, came: Arrived) -> Survey:
    """Give a survey dated by the hub's clock; the very same where that says what the box's does."""
    seen = tx.box_seen(survey.box)
    return dated(survey, came.behind, seen.last_survey_at if seen is not None else None, came.now)


def mind_gap(tx: Transaction, box: EnrolledBox, survey: Survey, every_seconds: int) -> None:
    """Note that a box was not watched between its last survey and this one, when that was long.

    What was surveyed while the hub was away comes in order and leaves no gap.
    """
    before = tx.box_seen(box.box)
    if before is None:
        return
    allowed = ROUNDS_MISSED * timedelta(seconds=max(every_seconds, box.every_seconds))
    if survey.taken_at - before.last_survey_at > allowed:
        tx.add_gap(box.box, Gap(begun_at=before.last_survey_at, ended_at=survey.taken_at))
