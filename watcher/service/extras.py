"""What a message says around its cases: the pool behind a case, what showed that it is over.

Also what is being watched, for the regular message. Everything is taken from the book and from the
view of the last survey; where there is none, less is said.
"""

from __future__ import annotations

from datetime import datetime

from watcher.cases.state import Book, Case
from watcher.exposure.window import WindowPlan
from watcher.facts.drive import Unread
from watcher.facts.finding import Urgency
from watcher.facts.identity import PoolId, SubjectKind
from watcher.facts.pool import Pool, Protection, Remark
from watcher.facts.standing import as_borne
from watcher.facts.survey import Survey
from watcher.notify.message_facts import CaseExtras, PoolLine, Watched
from watcher.recovery.follow import NOT_VERIFIED, asks_to_put_back
from watcher.rules.view import View
from watcher.service.prospects import best_choice, exposure_of, message_loss, message_window
from watcher.service.sight import places_left
from watcher.store.hub import BoxState
from watcher.store.transaction import Transaction


def extras_of(
    case: Case, book: Book, view: View | None, now: datetime, plan: WindowPlan
) -> CaseExtras:
    """Gather what is known around one case."""
    ended = case.closed_at or case.calm_since
    lasted = (ended - case.opened_at) if case.closed_at is not None and ended else None
    pool = pool_of_case(case, view)
    if pool is None or view is None:
        left = case.closed_at is not None and view is not None and is_left(case, view.survey)
        proof = NOT_THERE if left else proof_of(case, None)
        return CaseExtras(lasted=lasted, proof=proof, is_left=left)
    exposure = None
    if pool.protection in {Protection.THINNED, Protection.BARE}:
        exposure = exposure_of(view, pool, plan, now)
    choice = ""  # a plan, and not the next step: "rebuild at once" is no word to touch anything
    if exposure is not None and _has_a_choice(case, pool):
        choice = best_choice(exposure)
    return CaseExtras(
        pool_name=pool.name,
        protection=pool.protection,
        margin=pool.margin,
        full_margin=pool.full_margin,
        at_stake=pool.at_stake,
        window=message_window(exposure) if exposure else None,
        loss=message_loss(exposure) if exposure else None,
        best_choice=f"Best plan: {choice}" if choice else "",
        proof=proof_of(case, pool, book),
        lasted=lasted,
        work=pool.work,
    )


def _has_a_choice(case: Case, pool: Pool) -> bool:
    """Tell whether there is a plan to choose: no good drive is to go back, nothing stands still."""
    stuck = pool.noted(Remark.CANNOT_FINISH) is not None
    stuck = stuck or any(f.rule == "rebuild-stalled" for f in case.standing)
    return not stuck and not any(map(asks_to_put_back, case.standing))


def pool_of_case(case: Case, view: View | None) -> Pool | None:
    """Give the pool that a case is about, as it was seen last."""
    if view is None:
        return None
    finding = case.weightiest
    key: PoolId | None = finding.pool
    if case.locus.kind is SubjectKind.POOL:
        key = PoolId(case.locus.key)
    pools = view.survey.pools
    return next((as_borne(pool, pools) for pool in pools if pool.pool == key), None)


GONE_SIGNS = "The signs were looked for again and do not hold any more."
LOSS_RULES = frozenset({"margin-thinned", "margin-gone", "pool-broken", "drive-gone"})

NOT_THERE = (
    "No drive is listed at that place any more; what was there was never seen. If nobody took it "
    "out, check its cable and power."
)


def is_left(case: Case, survey: Survey) -> bool:
    """Tell whether a case is over because the place it was about has no drive any more."""
    return bool(places_left(survey, (held.finding for held in case.held)))


def proof_of(case: Case, pool: Pool | None, book: Book | None = None) -> str:
    """Say what showed that a case is over, and what is not proven yet; "" while it is not over."""
    if case.closed_at is None:
        return ""
    if pool is not None and pool.protection is Protection.WHOLE:
        margin = f"full margin ({pool.margin} of {pool.full_margin})"
        lost = any(held.finding.rule in LOSS_RULES for held in case.held)
        if not lost:
            return f"{GONE_SIGNS} {pool.name} has its {margin}."
        whole = f"{pool.name} has all of its members again and its {margin}."
        unchecked = book is not None and any(
            f.rule == NOT_VERIFIED and f.subject.key == pool.pool
            for other in book.open_cases
            for f in other.standing
        )
        return f"{whole} Not verified yet: a check (scrub) is to follow." if unchecked else whole
    return GONE_SIGNS


def watched(book: Book, view: View | None) -> Watched:
    """Say what is being watched, for the regular message; what is to know counts as notes only."""
    still = book.open_cases
    weighty = sum(case.is_weighty for case in still)
    if view is None:
        return Watched(drives=0, open_cases=weighty, last_survey_at=book.last_survey_at)
    survey = view.survey
    hidden = [u for u in survey.unread if u.why is not Unread.ASLEEP]
    return Watched(
        drives=len(survey.present),
        pools=tuple(
            PoolLine(
                name=pool.name,
                protection=pool.protection,
                margin=pool.margin,
                full_margin=pool.full_margin,
            )
            for pool in (as_borne(one, survey.pools) for one in survey.pools)
        ),
        notes=tuple(
            f"{f.label}: {f.sentence}"
            for case in still
            for f in case.standing
            if f.urgency is Urgency.NOTE
        ),
        blind=(*(u.detail for u in hidden), *(b.detail for b in survey.blind_to_tell)),
        open_cases=weighty,
        last_survey_at=survey.taken_at,
    )


def watched_from(tx: Transaction, book: Book, view: View | None) -> Watched:
    """Say what is being watched: by a hub, whose own box has no drives, all its boxes."""
    return watched_by_hub(tx, book) if view is None and tx.is_hub() else watched(book, view)


def watched_by_hub(tx: Transaction, book: Book) -> Watched:
    """Say what a hub watches; of a box that is not heard from nothing is known now."""
    boxes = [box for box in tx.enrolled_boxes() if box.state is BoxState.WATCHED]
    names = {box.box for box in boxes}
    silent = [box for box in boxes if box.quiet_since is not None or box.heard_at is None]
    unheard = {box.box for box in silent}
    drives, cases = tx.drive_counts(), tx.case_counts()
    return Watched(
        boxes=len(boxes),
        drives=sum(count for box, count in drives.items() if box in names),
        pools=tuple(
            PoolLine(
                name=f"{pool.name} on {pool.box}",
                protection=Protection.UNKNOWN if pool.box in unheard else pool.protection,
                margin=pool.margin,
                full_margin=pool.full_margin,
            )
            for pool in tx.pools_everywhere()
            if pool.box in names
        ),
        blind=tuple(f"{box.box} of {box.client} is not heard from." for box in silent),
        open_cases=sum(
            count
            for box, counts in cases.items()
            for urgency, count in counts.items()
            if urgency is not Urgency.NOTE and box in {*names, book.box}
        ),
        last_survey_at=max((box.heard_at for box in boxes if box.heard_at), default=None),
    )
