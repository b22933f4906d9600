"""The box's end of a hub, within the transactions of its own desk: keep, hold back, take back.

``Handover`` is what ``service.desk.Standing.hands_over`` takes. What was handed over is told by
``taken``: the survey need not be kept any more, and the messages that were decided with it or
before need not be sent, for the hub speaks.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from watcher.facts.finding import Finding
from watcher.facts.identity import BoxId
from watcher.facts.survey import Survey
from watcher.hub.enrolment import hash_of
from watcher.hub.errors import Refused
from watcher.hub.fallback import (
    HUB,
    SET_ASIDE,
    SET_ASIDE_SHOWN,
    alone_since,
    closing_words,
    hub_findings,
    is_alone,
    release_at,
    set_aside_finding,
)
from watcher.hub.masking import Mask
from watcher.hub.telling import (
    TOLD_AGAIN,
    Telling,
    drives_told,
    mark_of,
    pack_told,
    plain_of,
    told_here,
    within,
)
from watcher.hub.thinning import DOUBT, NOT_WHOLE, Level, has_weight, pools_mark, thin
from watcher.hub.wire import Parcel, pack, unpack
from watcher.store.outgoing import Outgoing
from watcher.store.transaction import Transaction

TAKEN_AT = "hub-taken-at"
TROUBLE = "hub-trouble"
REFUSES = "hub-refuses"
LACKS = "hub-lacks"
"""Under this name stands which survey was set aside last, when, and what the hub said."""
POOLS = "hub-pools"
RAW_AT = "hub-raw-at"
TOLD = "hub-told"

THINNED_AT_ONCE = 50
RAW_EVERY = timedelta(hours=24)
"""How often the drives' raw answers go along; our choice: they are evidence for later, and nine
tenths of a survey."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tells:
    """What is to be told to the hub, and by what it is known when it was."""

    mark: str
    body: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Handover:
    """How this box hands its surveys over."""

    box: BoxId
    sender: str  # this run of the program
    every: timedelta  # how often the box surveys
    alone_after: timedelta
    most_bytes: int
    mask: Mask | None = None
    own_way: bool | None = None  # a way of this box leads to a person elsewhere

    def put(
        self,
        tx: Transaction,
        survey: Survey,
        now: datetime,
        besides: tuple[Finding, ...],
        works: frozenset[str],
    ) -> None:
        """Keep a survey for the hub; when too many wait, the oldest detail goes first."""
        _, waiting = tx.outgoing_size()
        weighs = has_weight(survey, tx.kept(self.box, POOLS) if waiting else None)
        if weighs:
            tx.keep(self.box, POOLS, pools_mark(survey))
        raw_at = tx.kept(self.box, RAW_AT)
        if raw_at is None or now - datetime.fromisoformat(raw_at) >= RAW_EVERY:
            tx.keep(self.box, RAW_AT, now.isoformat())
        else:
            survey = thin(survey, Level.NO_RAW)
        taken_at = self.taken_at(tx)
        parcel = Parcel(
            sender=self.sender,
            every_seconds=max(1, int(self.every.total_seconds())),
            survey=survey,
            besides=tuple(f for f in besides if f.subject.key != HUB),
            works=tuple(sorted(works - {HUB})),
            alone_since=alone_since(taken_at, now, self.alone_after),
        )
        if self.mask is not None:
            parcel = self.mask.hide(parcel)
        tx.put_outgoing(survey.survey, now, weighs=weighs, body=pack(parcel))
        self._keep_within(tx)

    def _keep_within(self, tx: Transaction) -> None:
        """Thin the oldest until what waits has room."""
        size, _ = tx.outgoing_size()
        for level in (Level.NO_RAW, Level.BONES):
            while size > self.most_bytes:
                found = tx.outgoing_below(level, THINNED_AT_ONCE)
                if not found:
                    break
                for one in found:
                    size -= self._thin(tx, one, level)
                    if size <= self.most_bytes:
                        return

    def _thin(self, tx: Transaction, one: Outgoing, level: Level) -> int:
        """Thin one survey, or drop it when it holds nothing of weight; give the bytes won."""
        if level is Level.BONES and not one.weighs:
            tx.drop_outgoing(one.number)
            return len(one.body)
        return self._write_thin(tx, one, level, DOUBT)

    def _write_thin(self, tx: Transaction, one: Outgoing, level: Level, why: str) -> int:
        """Keep less of one survey; give the bytes won."""
        parcel = unpack(one.body)
        body = pack(replace(parcel, survey=thin(parcel.survey, level, why)))
        tx.thin_outgoing(one.number, level, body)
        return len(one.body) - len(body)

    def to_the_bones(self, tx: Transaction, one: Outgoing) -> bool:
        """Leave out of a survey that the hub cannot take all but what weighs.

        False when nothing more can be left out.
        """
        if one.level >= Level.BONES:
            return False
        try:
            self._write_thin(tx, one, Level.BONES, NOT_WHOLE)
        except Refused:  # not even we can read it
            return False
        return True

    def set_aside(self, tx: Transaction, one: Outgoing, why: str, now: datetime) -> None:
        """Send a survey no more that the hub cannot take, and say here what it had to say.

        Its messages leave from this box, and that the hub lacks it is told, here and there.
        """
        tx.drop_outgoing(one.number)
        tx.let_go(self.box, one.put_at)
        words = json.dumps([one.put_at.isoformat(), now.isoformat(), why])
        tx.keep(self.box, LACKS, words)

    def _lacks(self, tx: Transaction, now: datetime) -> tuple[Finding, ...]:
        """Say which survey the hub lacks, for a while."""
        words = tx.kept(self.box, LACKS)
        if words is None:
            return ()
        at, since, why = json.loads(words)
        if now - datetime.fromisoformat(since) >= SET_ASIDE_SHOWN:
            return ()
        return (set_aside_finding(datetime.fromisoformat(at), why, now),)

    def taken_at(self, tx: Transaction) -> datetime | None:
        """Give when the hub last took a survey in, or None."""
        text = tx.kept(self.box, TAKEN_AT)
        return None if text is None else datetime.fromisoformat(text)

    def begin(self, tx: Transaction, now: datetime) -> None:
        """Count from now, once, when this box has handed nothing over yet."""
        if tx.kept(self.box, TAKEN_AT) is None:
            tx.keep(self.box, TAKEN_AT, now.isoformat())

    def release_at(self, tx: Transaction, now: datetime) -> datetime:
        """Say from when a message may leave by itself."""
        return release_at(self.taken_at(tx), now, self.alone_after)

    def closing(self, tx: Transaction) -> str:
        """Give the last sentence of a message that leaves by itself."""
        return closing_words(self.box, self.taken_at(tx))

    def findings(self, tx: Transaction, now: datetime) -> tuple[Finding, ...]:
        """Say that the hub is away, while it is, and that it lacks a survey."""
        trouble = tx.kept(self.box, TROUBLE) or ""
        refuses = tx.kept(self.box, REFUSES) is not None
        away = hub_findings(self.taken_at(tx), now, self.alone_after, trouble, refuses=refuses)
        return (*away, *self._lacks(tx, now))

    def works(self, tx: Transaction, now: datetime) -> frozenset[str]:
        """Name the hub among what works, while it does."""
        alone = is_alone(self.taken_at(tx), now, self.alone_after)
        lacked = tx.kept(self.box, LACKS) is not None and not self._lacks(tx, now)
        whole = frozenset({SET_ASIDE}) if lacked else frozenset()
        return whole if alone else whole | {HUB}

    def taken(self, tx: Transaction, one: Outgoing, now: datetime) -> int:
        """The hub has a survey: forget it, and take back what would be said about it here.

        Gives how many messages were taken back. One that left already stays sent. Of a survey of
        which much was left out the hub knows too little to speak: there they leave.
        """
        tx.drop_outgoing(one.number)
        tx.keep(self.box, TAKEN_AT, now.isoformat())
        tx.forget(self.box, TROUBLE)
        tx.forget(self.box, REFUSES)
        dropped = 0
        if one.level >= Level.BONES:
            tx.let_go(self.box, one.put_at)
        for number in tx.held_notices(self.box, one.put_at):
            dropped += tx.drop_notice(number, now=now, reason="the hub has it")
        return dropped

    def not_taken(self, tx: Transaction, sentence: str, *, refuses: bool = False) -> None:
        """Remember why the hub took nothing, and whether it is there and refuses."""
        if tx.kept(self.box, TROUBLE) != sentence:
            tx.keep(self.box, TROUBLE, sentence)
        if refuses:
            tx.keep(self.box, REFUSES, "yes")
        else:
            tx.forget(self.box, REFUSES)

    def telling(self, tx: Transaction, now: datetime, token: str = "") -> Tells | None:
        """Give what the hub is to be told of how this box is prepared; None when it knows.

        A hub that a box joins again knows nothing: so it is told again under another ``token``.
        """
        told = told_here(tx, self.box, own_way=self.own_way)
        mark = f"{mark_of(told)}-{hash_of(token)[:8]}"
        last, _, at = (tx.kept(self.box, TOLD) or "").partition(" ")
        if last == mark and at and now - datetime.fromisoformat(at) < TOLD_AGAIN:
            return None
        plain = plain_of(Telling(sender=self.sender, told=told))
        if self.mask is not None:
            known = (*(drive.identity for drive in tx.drives(self.box)), *drives_told(told))
            plain = self.mask.hide_plain(plain, known)
        return Tells(mark=mark, body=pack_told(within(plain)))

    def told(self, tx: Transaction, mark: str, now: datetime) -> None:
        """The hub has what this box told."""
        tx.keep(self.box, TOLD, f"{mark} {now.isoformat()}")
