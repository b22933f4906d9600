"""Invented messages of every kind, as the desk would ask for them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from watcher.cases.effects import Item, Tell
from watcher.cases.state import Answer, Case, Held, NoticeKind
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import (
    DriveId,
    PoolId,
    Subject,
    about_drive,
    about_pool,
    about_source,
)
from watcher.facts.pool import AtStake, Protection, Work, WorkKind
from watcher.notify.message_facts import CaseExtras, LossChance, PoolLine, Watched, Window

NOW = datetime(2031, 3, 6, 2, 12, tzinfo=UTC)  # a Thursday; 03:12 in Oslo
OSLO = ZoneInfo("Europe/Oslo")
ORCHARD = PoolId("md:aa:bb")
BAY_3 = DriveId("wwn-5000c500a0000003")
BAY_5 = DriveId("wwn-5000c500a0000005")
LABEL_3 = "bay 3 (Altair A8, 8 TB, serial AL3X09)"
LABEL_5 = "bay 5 (Altair A8, 8 TB, serial AL3X17)"
LINK = "https://watch.example.org/c/7?k=Zx81"


def finding(
    rule: str,
    subject: Subject,
    label: str,
    urgency: Urgency,
    sentence: str,
    next_step: str,
    *,
    pool: PoolId | None = None,
) -> Finding:
    return Finding(
        rule=rule,
        subject=subject,
        label=label,
        urgency=urgency,
        sentence=sentence,
        next_step=next_step,
        observed_at=NOW - timedelta(minutes=5),
        pool=pool,
    )


GONE_3 = finding(
    "drive-gone",
    about_drive(BAY_3),
    LABEL_3,
    Urgency.NOW,
    "The drive is not there any more.",
    "Check the cable and the power of bay 3 first; power down unless the bay is made for hot swap.",
    pool=ORCHARD,
)
MARGIN_GONE = finding(
    "margin-gone",
    about_pool(ORCHARD),
    "orchard",
    Urgency.NOW,
    "The pool has no protection left: the next loss costs data.",
    "See that a copy of what matters exists, then replace bay 3 (Altair A8, 8 TB, serial AL3X09).",
    pool=ORCHARD,
)
MARGIN_THINNED = finding(
    "margin-thinned",
    about_pool(ORCHARD),
    "orchard",
    Urgency.TODAY,
    "The pool lost some of its protection and can still lose a drive.",
    "Check cable and power of bay 3 (Altair A8, 8 TB, serial AL3X09), then replace it.",
    pool=ORCHARD,
)
BROKEN = finding(
    "pool-broken",
    about_pool(ORCHARD),
    "orchard",
    Urgency.NOW,
    "The pool lost more than it can bear, or has stopped.",
    "Write nothing to it; check power and cables of bays 3 and 5; then follow the recovery steps.",
    pool=ORCHARD,
)
PENDING_5 = finding(
    "unreadable-sectors",
    about_drive(BAY_5),
    LABEL_5,
    Urgency.THIS_WEEK,
    "The drive has sectors that it cannot read.",
    "Run a scrub, then see whether the drive lost more.",
    pool=ORCHARD,
)
CRC = finding(
    "link-errors-grow",
    about_drive(BAY_5),
    LABEL_5,
    Urgency.THIS_WEEK,
    "Data arrives damaged between the drive and the box; that is the cable, not the drive.",
    "Change the cable of bay 5.",
)
BLIND_LOG = finding(
    "source-blind",
    about_source("kernel-log"),
    "kernel log",
    Urgency.TODAY,
    "We cannot look at the kernel log: what that would tell is not known.",
    "Add the user of the daemon to the group that may read the journal.",
)


def case(
    number: int,
    locus: Subject,
    label: str,
    *findings: Finding,
    opened_at: datetime = NOW - timedelta(minutes=5),
    answer: Answer | None = None,
    answers: tuple[Answer, ...] = (),
    closed_at: datetime | None = None,
) -> Case:
    return Case(
        number=number,
        locus=locus,
        label=label,
        opened_at=opened_at,
        held=tuple(
            Held(finding=f, since=opened_at, seen_at=opened_at, cleared_at=closed_at)
            for f in findings
        ),
        answer=answer,
        answers=answers or ((answer,) if answer else ()),
        closed_at=closed_at,
    )


def item(kind: NoticeKind, urgency: Urgency, *, number: int = 7, about: str = "") -> Item:
    return Item(kind=kind, case=number, number=1, urgency=urgency, about=about)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One call of render, under a name."""

    name: str
    items: tuple[Item, ...]
    cases: Mapping[int, Case] = field(default_factory=dict)
    extras: Mapping[int, CaseExtras] = field(default_factory=dict)

    @property
    def tell(self) -> Tell:
        """The message that is asked for."""
        top = max((i.urgency for i in self.items), key=lambda u: u.rank)
        return Tell(key=f"attic/ana/{self.name}", person="ana", items=self.items, urgency=top)


BARE = CaseExtras(
    pool_name="orchard",
    protection=Protection.BARE,
    margin=0,
    full_margin=1,
    at_stake=AtStake.POOL,
    window=Window(
        earliest=NOW + timedelta(hours=20),
        likely=NOW + timedelta(hours=35),
        latest=NOW + timedelta(days=7),
    ),
    loss=LossChance(likely=0.021, low=0.008, high=0.05),
    best_choice="Best: rebuild at once on the shelf spare; its burn-in passed on 3 Feb.",
    link=LINK,
)
THINNED = CaseExtras(
    pool_name="orchard",
    protection=Protection.THINNED,
    margin=1,
    full_margin=2,
    at_stake=AtStake.POOL,
)
BROKEN_POOL = CaseExtras(
    pool_name="orchard", protection=Protection.BROKEN, margin=0, full_margin=1, link=LINK
)
WHOLE = CaseExtras(
    pool_name="orchard",
    protection=Protection.WHOLE,
    margin=1,
    full_margin=1,
    proof="The rebuild ended and a scrub read every sector; orchard has its full margin again.",
    lasted=timedelta(days=2, hours=3),
    link=LINK,
)
BEN = Answer(
    by="Ben", at=NOW, until=NOW + timedelta(hours=40), note="drive ordered, arrives Friday"
)
ORCHARD_CASE = case(7, about_pool(ORCHARD), "orchard", MARGIN_GONE, GONE_3, PENDING_5)
DRIVE_CASE = case(8, about_drive(BAY_5), LABEL_5, CRC)
OLD = NOW - timedelta(hours=2)


def eased(over: Finding, left: Finding) -> Case:
    """Give a case of which the worst is over."""
    both = case(7, about_pool(ORCHARD), "orchard", over, left, opened_at=OLD)
    gone, holds = both.held
    return replace(both, held=(replace(gone, cleared_at=NOW), holds))


ALL: tuple[Asked, ...] = (
    Asked(
        name="opened-bare",
        items=(item(NoticeKind.OPENED, Urgency.NOW),),
        cases={7: ORCHARD_CASE},
        extras={7: BARE},
    ),
    Asked(
        name="opened-bare-little-known",
        items=(item(NoticeKind.OPENED, Urgency.NOW),),
        cases={7: ORCHARD_CASE},
    ),
    Asked(
        name="opened-drive-gone-first",
        items=(item(NoticeKind.OPENED, Urgency.NOW),),
        cases={7: case(7, about_pool(ORCHARD), "orchard", GONE_3)},
        extras={7: THINNED},
    ),
    Asked(
        name="opened-thinned",
        items=(item(NoticeKind.OPENED, Urgency.TODAY),),
        cases={7: case(7, about_pool(ORCHARD), "orchard", MARGIN_THINNED)},
        extras={7: THINNED},
    ),
    Asked(
        name="opened-drive-cable",
        items=(item(NoticeKind.OPENED, Urgency.THIS_WEEK, number=8),),
        cases={8: DRIVE_CASE},
    ),
    Asked(
        name="opened-blind",
        items=(item(NoticeKind.OPENED, Urgency.TODAY),),
        cases={7: case(7, about_source("kernel-log"), "kernel log", BLIND_LOG)},
    ),
    Asked(
        name="opened-file-parity",
        items=(item(NoticeKind.OPENED, Urgency.NOW),),
        cases={7: case(7, about_pool(ORCHARD), "orchard", MARGIN_GONE)},
        extras={
            7: CaseExtras(
                pool_name="orchard",
                protection=Protection.BARE,
                margin=0,
                full_margin=1,
                at_stake=AtStake.MEMBER,
            )
        },
    ),
    Asked(
        name="worsened-broken",
        items=(item(NoticeKind.WORSENED, Urgency.NOW),),
        cases={7: case(7, about_pool(ORCHARD), "orchard", BROKEN, GONE_3, opened_at=OLD)},
        extras={7: BROKEN_POOL},
    ),
    Asked(
        name="added-drive-in-doubt",
        items=(item(NoticeKind.ADDED, Urgency.THIS_WEEK),),
        cases={7: case(7, about_pool(ORCHARD), "orchard", PENDING_5, opened_at=OLD)},
        extras={7: WHOLE},
    ),
    Asked(
        name="returned-bare",
        items=(item(NoticeKind.RETURNED, Urgency.NOW),),
        cases={7: case(7, about_pool(ORCHARD), "orchard", MARGIN_GONE, GONE_3, opened_at=OLD)},
        extras={7: BARE},
    ),
    Asked(
        name="reminder-rebuild-running",
        items=(item(NoticeKind.REMINDER, Urgency.NOW),),
        cases={7: case(7, about_pool(ORCHARD), "orchard", MARGIN_GONE, opened_at=OLD)},
        extras={
            7: CaseExtras(
                pool_name="orchard",
                protection=Protection.BARE,
                margin=0,
                full_margin=1,
                at_stake=AtStake.POOL,
                work=Work(kind=WorkKind.REBUILD, done_fraction=0.438),
                window=Window(
                    earliest=NOW + timedelta(hours=6),
                    likely=NOW + timedelta(hours=8),
                    latest=NOW + timedelta(hours=13),
                ),
                loss=LossChance(likely=0.0004, low=0.0004, high=0.0004),
            )
        },
    ),
    Asked(
        name="eased-full-margin",
        items=(item(NoticeKind.EASED, Urgency.NOTE),),
        cases={7: eased(MARGIN_GONE, PENDING_5)},
        extras={7: WHOLE},
    ),
    Asked(
        name="eased-less-margin",
        items=(item(NoticeKind.EASED, Urgency.NOTE),),
        cases={7: eased(MARGIN_GONE, MARGIN_THINNED)},
        extras={7: THINNED},
    ),
    Asked(
        name="taken",
        items=(item(NoticeKind.TAKEN, Urgency.NOTE, about="Ben"),),
        cases={7: case(7, about_pool(ORCHARD), "orchard", MARGIN_GONE, answer=BEN)},
        extras={7: BARE},
    ),
    Asked(
        name="answer-ended",
        items=(item(NoticeKind.ANSWER_ENDED, Urgency.NOW, about="Ben"),),
        cases={
            7: case(
                7,
                about_pool(ORCHARD),
                "orchard",
                MARGIN_GONE,
                opened_at=OLD,
                answers=(Answer(by="Ben", at=OLD, until=NOW),),
            )
        },
        extras={7: BARE},
    ),
    Asked(
        name="handed-over",
        items=(item(NoticeKind.HANDED_OVER, Urgency.TODAY, about="Ben: I am on the train"),),
        cases={7: case(7, about_pool(ORCHARD), "orchard", MARGIN_THINNED)},
        extras={7: THINNED},
    ),
    Asked(
        name="silence-ended",
        items=(item(NoticeKind.SILENCE_ENDED, Urgency.THIS_WEEK, number=8),),
        cases={8: DRIVE_CASE},
    ),
    Asked(
        name="silence-broken",
        items=(
            item(
                NoticeKind.SILENCE_BROKEN,
                Urgency.NOW,
                about="silenced by Ben: moving the rack",
            ),
        ),
        cases={7: case(7, about_pool(ORCHARD), "orchard", BROKEN)},
        extras={7: BROKEN_POOL},
    ),
    Asked(
        name="unexpected-wrong-drive",
        items=(
            item(
                NoticeKind.UNEXPECTED,
                Urgency.NOW,
                about=f"{LABEL_5} left; announced was: replace bay 3",
            ),
        ),
        cases={7: case(7, about_pool(ORCHARD), "orchard", MARGIN_GONE)},
        extras={7: BARE},
    ),
    Asked(
        name="work-overruns",
        items=(
            item(
                NoticeKind.WORK_OVERRUNS,
                Urgency.TODAY,
                number=0,
                about="replace bay 3: orchard has margin 0 of 1",
            ),
        ),
    ),
    Asked(
        name="work-ended-open",
        items=(
            item(
                NoticeKind.WORK_ENDED,
                Urgency.TODAY,
                number=0,
                about="replace bay 3: orchard has margin 0 of 1",
            ),
        ),
    ),
    Asked(
        name="work-ended-done",
        items=(
            item(
                NoticeKind.WORK_ENDED,
                Urgency.NOTE,
                number=0,
                about="replace bay 3: nothing is left open",
            ),
        ),
    ),
    Asked(
        name="all-clear",
        items=(item(NoticeKind.ALL_CLEAR, Urgency.NOTE),),
        cases={7: case(7, about_pool(ORCHARD), "orchard", MARGIN_GONE, closed_at=NOW)},
        extras={7: WHOLE},
    ),
    Asked(
        name="over-but-pool-still-bare",
        items=(item(NoticeKind.ALL_CLEAR, Urgency.NOTE, number=8),),
        cases={8: case(8, about_drive(BAY_5), LABEL_5, PENDING_5, opened_at=OLD, closed_at=NOW)},
        extras={8: BARE},
    ),
    Asked(
        name="all-clear-cable",
        items=(item(NoticeKind.ALL_CLEAR, Urgency.NOTE, number=8),),
        cases={8: case(8, about_drive(BAY_5), LABEL_5, CRC, opened_at=OLD, closed_at=NOW)},
    ),
    Asked(
        name="digest",
        items=(item(NoticeKind.DIGEST, Urgency.NOTE, number=0),),
        extras={
            0: CaseExtras(
                watched=Watched(
                    drives=8,
                    pools=(
                        PoolLine(
                            name="meadow", protection=Protection.WHOLE, margin=1, full_margin=1
                        ),
                        PoolLine(
                            name="orchard", protection=Protection.THINNED, margin=1, full_margin=2
                        ),
                    ),
                    notes=("meadow was not scrubbed for 41 days.",),
                    blind=("The journal may not be read.",),
                    open_cases=1,
                    last_survey_at=NOW - timedelta(minutes=4),
                )
            )
        },
    ),
    Asked(
        name="many-at-once",
        items=(
            item(NoticeKind.OPENED, Urgency.NOW),
            item(NoticeKind.OPENED, Urgency.THIS_WEEK, number=8),
            item(NoticeKind.TAKEN, Urgency.NOTE, number=9, about="Ben"),
            item(NoticeKind.ALL_CLEAR, Urgency.NOTE, number=10),
            *(item(NoticeKind.OPENED, Urgency.TODAY, number=n) for n in (11, 12, 13)),
        ),
        cases={
            7: ORCHARD_CASE,
            8: DRIVE_CASE,
            9: case(9, about_source("zfs"), "zfs", BLIND_LOG, answer=BEN),
            10: case(10, about_drive(BAY_5), LABEL_5, CRC, opened_at=OLD, closed_at=NOW),
            **{
                n: case(n, about_source(f"source-{n}"), f"source {n}", BLIND_LOG)
                for n in (11, 12, 13)
            },
        },
        extras={7: BARE, 0: CaseExtras(link="https://watch.example.org/")},
    ),
    Asked(
        name="two-updates",
        items=(
            item(NoticeKind.ALL_CLEAR, Urgency.NOTE),
            item(NoticeKind.TAKEN, Urgency.NOTE, number=8, about="Ben"),
        ),
        cases={
            7: case(7, about_pool(ORCHARD), "orchard", MARGIN_GONE, closed_at=NOW),
            8: case(8, about_drive(BAY_5), LABEL_5, CRC, answer=BEN),
        },
        extras={7: WHOLE},
    ),
)
