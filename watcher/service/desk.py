"""The desk: takes in surveys and what people say, decides, and writes it all down at once.

The desk keeps nothing between two calls. In one transaction it loads the book, asks the rules,
decides, and saves the history rows, the book, the written record and the messages for the outbox.
Nothing leaves the machine before the commit, and the same decision made twice has the same keys:
a crash at any point means "again", never "lost" and never "twice".
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from typing import Protocol, assert_never
from zoneinfo import ZoneInfo

from watcher.cases.decide import decide, next_deadline
from watcher.cases.effects import Record, Refuse, Tell
from watcher.cases.observations import Observation, TimePassed
from watcher.cases.policy import Policy
from watcher.cases.state import Book, Case, NoticeKind
from watcher.cases.timeshift import follow_clock
from watcher.exposure.window import WindowPlan
from watcher.facts.finding import Finding
from watcher.facts.identity import BoxId, SubjectKind
from watcher.facts.survey import Survey
from watcher.notify.message_facts import CaseExtras, Watched
from watcher.notify.messages import render
from watcher.notify.target import Target, ways_to
from watcher.recovery.follow import lead, out_of_service, unverified
from watcher.rules.catalogue import judge
from watcher.rules.tuning import Tuning
from watcher.rules.view import View
from watcher.service.extras import extras_of, watched_from
from watcher.service.links import link_address, new_link
from watcher.service.outlook import follow_forecasts
from watcher.service.readiness import prepared
from watcher.service.recoveries import follow_recoveries, record_events, replaced_in, sent_back
from watcher.service.routes import route_findings, routes_seen
from watcher.service.sight import given_up, observe, replaced_drives, still_news
from watcher.store.database import Store
from watcher.store.outbox import NewNotice
from watcher.store.signing import SigningKey
from watcher.store.transaction import Transaction

LOOK_BACK = timedelta(days=31)
"""How much of the past the rules see: the longest span over which one of them compares."""

EVENTS_BACK = timedelta(hours=24)
"""How far back kernel events count as recent."""


KEY_BYTES = 32
"""Of a new signing key: as long as what HMAC-SHA256 makes (RFC 2104, section 3)."""


class HandsOver(Protocol):
    """What hands the surveys of this box over to a hub; see ``hub/handover.py``."""

    def put(
        self,
        tx: Transaction,
        survey: Survey,
        now: datetime,
        besides: tuple[Finding, ...],
        works: frozenset[str],
    ) -> None:
        """Keep a survey for the hub, in the transaction in which it is taken in here."""

    def release_at(self, tx: Transaction, now: datetime) -> datetime:
        """Say from when a message of this box may leave by itself."""

    def closing(self, tx: Transaction) -> str:
        """Give the last sentence of a message that leaves by itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What the desk works by; built from the settings, replaced when they are read again."""

    box: BoxId
    policy: Policy
    tuning: Tuning
    targets: tuple[Target, ...]
    plan: WindowPlan
    page_url: str = ""  # where the pages are reached; "" when there are none
    beats: bool | None = None  # whether an address of the owner's is called; None: not known
    hands_over: HandsOver | None = None  # to the hub that speaks for this box; None: there is none
    box_option: str = ""  # how a command names this box, at a hub; "" where there is only one
    minds_routes: bool = True  # False: ways that fail are minded elsewhere, once for many boxes

    @property
    def reached_away(self) -> bool:
        """Whether a way to a person leads away from this machine."""
        return any(not target.is_terminal for target in self.targets)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of handing something to the desk."""

    findings: tuple[Finding, ...] = ()
    told: tuple[Tell, ...] = ()
    refused: str = ""  # a sentence, when a person asked for something that cannot be done
    taken: bool = True  # False: this survey had been taken in already
    deadline: datetime | None = None  # when the book of the box falls due by itself


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """A survey that was judged before its transaction began, so that others could write meanwhile.

    It counts for as long as nothing that it rests on has changed, which ``mark`` tells.
    """

    view: View
    found: tuple[Finding, ...]
    mark: str


class Desk:
    """Decides over a store."""

    def __init__(self, store: Store, standing: Standing) -> None:
        """Work over a store, by what the settings say."""
        self.store = store
        self.standing = standing

    def take_in(
        self,
        survey: Survey,
        now: datetime,
        *,
        keep: Mapping[str, str] | None = None,
        besides: tuple[Finding, ...] = (),
        works: frozenset[str] = frozenset(),
    ) -> Outcome:
        """Take in a survey; a survey that was taken in before changes nothing.

        ``keep`` are texts that belong to it and are written down with it, or not at all: how far
        the kernel log was read. ``besides`` are findings about the watch itself, ``works`` names
        the sources of the watch itself that are known to work.
        """
        with self.store.transaction() as tx:
            for name, text in (keep or {}).items():
                tx.keep(survey.box, name, text)
            return self.take_within(tx, survey, now, besides=besides, works=works)

    def judge_ahead(self, tx: Transaction, survey: Survey, now: datetime) -> Ahead:
        """Judge a survey on a look at the store, before the transaction that takes it in."""
        view = view_of(tx, survey, now, self.standing)
        return Ahead(
            view=view, found=judge(view, self.standing.tuning), mark=tx.mark_of(survey.box)
        )

    def take_within(
        self,
        tx: Transaction,
        survey: Survey,
        now: datetime,
        *,
        besides: tuple[Finding, ...] = (),
        works: frozenset[str] = frozenset(),
        ahead: Ahead | None = None,
        sent: bytes = b"",
    ) -> Outcome:
        """Take in a survey within a transaction that does more.

        ``ahead`` is what ``judge_ahead`` found for the same survey, box and moment, ``sent`` what
        the survey was read from; see ``tx.take_survey``.
        """
        if ahead is not None and ahead.mark == tx.mark_of(survey.box):
            view, found = ahead.view, ahead.found
        else:
            view = view_of(tx, survey, now, self.standing)
            found = judge(view, self.standing.tuning)
        newest = newer_than(tx, survey, now)
        if not tx.take_survey(survey, now, sent=sent):
            return Outcome(taken=False)
        if self.standing.hands_over is not None:
            self.standing.hands_over.put(tx, survey, now, besides, works)
        was_in = replaced_in(tx, view)
        retired = replaced_drives(survey, view.past, view.pool_past, was_in) | sent_back(view)
        for drive in sorted(retired):
            tx.retire_drive(drive)
        findings = tuple(
            f
            for f in found
            if not (f.subject.kind is SubjectKind.DRIVE and f.subject.key in retired)
        )
        records = tx.target_records(now) if self.standing.minds_routes else ()
        findings += route_findings(records, self.standing.targets, now)
        findings += besides
        findings += follow_forecasts(tx, view, self.standing.plan, now)
        followed = follow_recoveries(tx, view, self.standing.plan, now)
        findings = lead(findings, followed) + unverified(followed, now)
        findings = out_of_service(findings, survey.pools, was_in)
        works |= routes_seen(records, self.standing.targets)
        if newest is not None:
            findings = still_news(findings, newest)
        given = given_up(survey, view.past, view.pool_past)
        standing = tuple(f for c in tx.load_book(survey.box).open_cases for f in c.standing)
        observation = observe(
            survey, findings, view.pool_past, retired, works, given, standing=standing
        )
        decided = self._decide(tx, survey.box, observation, now, view)
        if any(one.events for one in followed):
            record_events(tx, survey.box, tx.load_book(survey.box), followed, now)
        view.looked.clear()
        return replace(decided, findings=findings)

    def hear(self, observation: Observation, now: datetime) -> Outcome:
        """Take in what a person said, or that time has passed."""
        with self.store.transaction() as tx:
            return self.hear_within(tx, observation, now)

    def hear_within(self, tx: Transaction, observation: Observation, now: datetime) -> Outcome:
        """Take it in within a transaction that does more."""
        return self._decide(tx, self.standing.box, observation, now, None)

    def tick(self, now: datetime) -> Outcome:
        """Let time pass."""
        return self.hear(TimePassed(), now)

    def tick_within(self, tx: Transaction, now: datetime) -> Outcome:
        """Let time pass within a transaction that does more."""
        return self.hear_within(tx, TimePassed(), now)

    def deadline(self, now: datetime) -> datetime | None:
        """Give when ``tick`` is due if nothing else happens."""
        with self.store.snapshot() as tx:
            book = tx.load_book(self.standing.box)
        return next_deadline(book, self.standing.policy, now)

    def _decide(
        self,
        tx: Transaction,
        box: BoxId,
        observation: Observation,
        now: datetime,
        view: View | None,
    ) -> Outcome:
        """Decide over the book of a box, and write down what follows."""
        before = tx.load_book(box)
        book, effects = decide(before, observation, now, self.standing.policy)
        if book != before:
            tx.save_book(box, book)
            tx.add_observation(box, now, observation)
        told: list[Tell] = []
        refused = ""
        for effect in effects:
            match effect:
                case Tell():
                    told.append(effect)
                case Record():
                    tx.add_records(box, (effect,))
                case Refuse():
                    refused = effect.reason
                case _:
                    assert_never(effect)
        if told:
            view = view or last_view(tx, box, now, self.standing)
            key = None
            if self.standing.page_url:
                key = tx.key_to_sign(now, secrets.token_bytes(KEY_BYTES))
            around = partial(watched_from, tx, book, view)
            for tell in told:
                notices = self._notices(tell, book, view, key, now, around)
                tx.put_notices(self._held(tx, notices, now))
        return Outcome(
            told=tuple(told),
            refused=refused,
            deadline=next_deadline(book, self.standing.policy, now),
        )

    def _held(
        self, tx: Transaction, notices: Iterable[NewNotice], now: datetime
    ) -> Iterable[NewNotice]:
        """Hold messages back as long as a hub may still take the trouble over."""
        hub = self.standing.hands_over
        if hub is None:
            return notices
        at, closing = hub.release_at(tx, now), hub.closing(tx)
        return (replace(n, not_before=at, body=f"{n.body}\n{closing}") for n in notices)

    def _notices(
        self,
        tell: Tell,
        book: Book,
        view: View | None,
        key: SigningKey | None,
        now: datetime,
        around: Callable[[], Watched],
    ) -> Iterable[NewNotice]:
        """Write a message and address it to every way to its person; ``key`` signs its links."""
        person = self.standing.policy.person(tell.person)
        zone = ZoneInfo(person.zone) if person else ZoneInfo("UTC")
        extras = self._extras(tell, book, view, key, now)
        if any(item.case == 0 for item in tell.items):
            extras[0] = replace(extras.get(0, CaseExtras()), watched=around())
        message = render(
            tell,
            {case.number: self._as_read_by(tell.person, case) for case in book.cases},
            box_name=book.box,
            person_zone=zone,
            now=now,
            extras=extras,
        )
        about = extras.get(tell.items[0].case if len(tell.items) == 1 else 0)
        proves_route = any(item.kind is NoticeKind.DIGEST for item in tell.items)
        for target in ways_to(self.standing.targets, tell.person, tell.urgency, every=proves_route):
            yield NewNotice(
                key=tell.key,
                box=book.box,
                person=tell.person,
                target=target.key,
                urgency=tell.urgency,
                title=message.title,
                body=message.body,
                created_at=now,
                link=about.link if about else "",
            )

    def _as_read_by(self, reader: str, case: Case) -> Case:
        """Give a case without the notes that somebody may not read."""
        reads = partial(self.standing.policy.reads_note, reader)
        answers = tuple(a if reads(a.by) else replace(a, note="") for a in case.answers)
        answer = case.answer
        if answer is not None and not reads(answer.by):
            answer = replace(answer, note="")
        return replace(case, answer=answer, answers=answers)

    def _extras(
        self, tell: Tell, book: Book, view: View | None, key: SigningKey | None, now: datetime
    ) -> dict[int, CaseExtras]:
        """Gather what a message says beyond its cases, and the links for its person.

        Under 0 stands what is about no case, or about several: the list of them.
        """

        def link_to(number: int) -> str:
            if key is None:
                return ""
            link = new_link(tell.person, book.box, number, now)
            return link_address(self.standing.page_url, link, key)

        extras = {}
        for item in tell.items:
            case = book.case(item.case)
            if case is not None:
                found = extras_of(case, book, view, now, self.standing.plan)
                option = self.standing.box_option
                extras[item.case] = replace(found, link=link_to(item.case), box_option=option)
        if any(item.case == 0 for item in tell.items):
            extras[0] = CaseExtras(link=self.standing.page_url)
        if len(tell.items) > 1:
            extras[0] = replace(extras.get(0, CaseExtras()), link=link_to(0))
        return extras


def view_of(
    tx: Transaction, survey: Survey, now: datetime, standing: Standing | None = None
) -> View:
    """Put a survey and what came before it together for the rules."""
    recent = tx.recent_events(survey.box, now - EVENTS_BACK)
    known = {(e.at, e.what, e.device) for e in recent}
    fresh = tuple(e for e in survey.events if (e.at, e.what, e.device) not in known)
    view = View(
        survey=survey,
        now=now,
        past=tx.drive_pasts(survey.box, now - LOOK_BACK, now),
        pool_past=tx.pool_pasts(survey.box),
        recent=(*recent, *(e for e in fresh if e.at >= now - EVENTS_BACK)),
    )
    return prepared(
        tx,
        view,
        reached_away=standing.reached_away if standing is not None else None,
        beats=standing.beats if standing is not None else None,
    )


def first_view_of(survey: Survey, now: datetime) -> View:
    """Put a survey together for the rules where nothing of the past is known."""
    return View(
        survey=survey,
        now=now,
        recent=tuple(e for e in survey.events if e.at >= now - EVENTS_BACK),
    )


def newer_than(tx: Transaction, survey: Survey, now: datetime) -> Survey | None:
    """Give the last survey when this one is older and comes late; None when it is in order.

    A last survey from the future was taken before the clock was set back.
    """
    book, now, _ = follow_clock(tx.load_book(survey.box), now)
    if book.last_survey_at is None or survey.taken_at >= book.last_survey_at:
        return None
    return tx.last_survey(survey.box)


def last_view(
    tx: Transaction, box: BoxId, now: datetime, standing: Standing | None = None
) -> View | None:
    """Give the view of the last survey that was taken in, or None when there is none."""
    survey = tx.last_survey(box)
    return None if survey is None else view_of(tx, survey, now, standing)
