"""Rules about copies of what cannot be got again. Redundancy is no backup.

The yardstick is 3-2-1: three copies (the original and two more), on two kinds of media, one of them
off-site (Ruggiero and Heckathorn, "Data Backup Options", US-CERT 2012, after Krogh 2009; read
second hand). A restore that nobody tried is a hope (NIST NCCoE guidance, second hand).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Final

from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.readiness import CopySeen, CopyState, Irreplaceable
from watcher.facts.units import say_bytes, say_count, say_day, say_span
from watcher.rules.readiness import box_finding
from watcher.rules.tuning import Target, Threshold, Tuning
from watcher.rules.view import View

THREE_TWO_ONE: Final = "Ruggiero and Heckathorn, US-CERT 2012: 3 copies, 2 media, 1 off-site"
RESTORE: Final = "NIST NCCoE guidance on data integrity (second hand): restores are tested"


def things(view: View) -> tuple[Irreplaceable, ...]:
    """Give what the owner declared irreplaceable, as it was seen last."""
    return (view.ready.things or ()) if view.ready is not None else ()


def _names(found: list[Irreplaceable]) -> str:
    """Name some things."""
    return ", ".join(thing.name for thing in found)


def _say_copy(view: View, copy: CopySeen) -> str:
    """Say how a copy stands."""
    state = copy.state_at(view.now)
    if state is CopyState.UNSEEN:
        words = "could not be looked at"
    elif copy.copied_at is None:
        words = "never made"
    else:
        words = f"{state.value}, made {say_span(view.now - copy.copied_at)} ago"
    return f"{words}. {copy.detail}".strip() if copy.detail else words


def _evidence(view: View, found: list[Irreplaceable], *states: CopyState) -> tuple[Evidence, ...]:
    """Give the copies of some things that are in some states."""
    return tuple(
        Evidence(what=f"{thing.name}, {copy.name}", value=_say_copy(view, copy))
        for thing in found
        for copy in thing.copies
        if copy.state_at(view.now) in states
    )


def copy_missing(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find things of which there is no copy at all, as far as can be seen."""
    del tuning
    found = [
        thing
        for thing in things(view)
        if all(copy.state_at(view.now) is CopyState.NEVER for copy in thing.copies)
    ]
    if not found:
        return
    sizes = [thing.bytes for thing in found]
    known = None if None in sizes else sum(size or 0 for size in sizes)
    yield box_finding(
        view,
        "copy-missing",
        urgency=Urgency.THIS_WEEK,
        sentence=f"There is no copy of {_names(found)}: what is lost here is lost for good.",
        next_step="Make a copy on another machine now; then one that is kept off-site.",
        evidence=(
            Evidence(what="without a copy", value=say_bytes(known)),
            *_evidence(view, found, CopyState.NEVER),
        ),
        level=len(found),
    )


def copy_stale(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find things whose copies were made once and are too old now.

    Where another copy is fresh, it is a note.
    """
    del tuning
    found = [
        thing
        for thing in things(view)
        if any(
            copy.state_at(view.now) is CopyState.STALE
            or (copy.state_at(view.now) is CopyState.NEVER and _other_made(view, thing))
            for copy in thing.copies
        )
    ]
    if not found:
        return
    alone = [thing for thing in found if not thing.fresh_copies(view.now)]
    yield box_finding(
        view,
        "copy-stale",
        urgency=Urgency.THIS_WEEK if alone else Urgency.NOTE,
        sentence=(
            f"No copy of {_names(alone)} is known to be fresh."
            if alone
            else f"A copy of {_names(found)} is stale; another one is fresh."
        ),
        next_step="Find out why the backup stopped, run it, and see that it ended well.",
        evidence=_evidence(view, found, CopyState.STALE, CopyState.NEVER),
        level=len(found) + len(alone),
    )


def _other_made(view: View, thing: Irreplaceable) -> bool:
    """Tell whether some copy of a thing was made, or may have been."""
    return any(copy.state_at(view.now) is not CopyState.NEVER for copy in thing.copies)


def copy_unseen(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find copies that could not be looked at: whether they are there is not known."""
    del tuning
    found = [
        thing
        for thing in things(view)
        if any(copy.state_at(view.now) is CopyState.UNSEEN for copy in thing.copies)
    ]
    if not found:
        return
    alone = [thing for thing in found if not thing.fresh_copies(view.now)]
    yield box_finding(
        view,
        "copy-unseen",
        urgency=Urgency.THIS_WEEK if alone else Urgency.NOTE,
        sentence=f"Whether the copies of {_names(found)} are fresh cannot be seen.",
        next_step="See why: is the place mounted, may the watch read it, does the program answer?",
        evidence=_evidence(view, found, CopyState.UNSEEN),
        level=len(found) + len(alone),
    )


COPIES_WANTED: Final = Threshold(
    name="copies",
    value=2,
    unit="copies beside the original",
    source=THREE_TWO_ONE,
)


def too_few_copies(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find things with fewer copies, or fewer kinds of media, than 3-2-1 asks for."""
    wanted = COPIES_WANTED.of(tuning, "too-few-copies", Target(box=view.survey.box))
    found: list[Irreplaceable] = []
    evidence: list[Evidence] = []
    for thing in things(view):
        made = [c for c in thing.copies if c.state_at(view.now) is not CopyState.NEVER]
        media = {copy.medium for copy in made if copy.medium}
        one_kind = len(made) > 1 and len(media) == 1 and all(copy.medium for copy in made)
        if not made or (len(made) >= wanted and not one_kind):
            continue  # none at all is another rule's
        found.append(thing)
        words = say_count(len(made), "copy", "copies") + " beside the original"
        kinds = f", all on {next(iter(media))}" if one_kind else ""
        evidence.append(Evidence(what=thing.name, value=words + kinds))
    if found:
        yield box_finding(
            view,
            "too-few-copies",
            urgency=Urgency.NOTE,
            sentence=f"{_names(found)}: fewer copies or kinds of media than 3-2-1 asks for.",
            next_step="Add a second copy on another kind of medium.",
            evidence=tuple(evidence),
            level=len(found),
        )


def no_copy_off_site(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find things that fire, water or a thief would take together with their copies."""
    del tuning
    found = [
        thing
        for thing in things(view)
        if not any(
            copy.off_site and copy.state_at(view.now) is not CopyState.NEVER
            for copy in thing.copies
        )
    ]
    if not found:
        return
    yield box_finding(
        view,
        "no-copy-off-site",
        urgency=Urgency.NOTE,
        sentence=f"No copy of {_names(found)} is kept off-site.",
        next_step="Keep one copy where fire, water and thieves do not come at the same time.",
        level=len(found),
    )


RESTORE_EVERY: Final = Threshold(
    name="days",
    value=365,
    unit="days",
    source="our choice: as often as a drill; that restores are tried is NIST NCCoE guidance",
)


def restore_never_tried(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find things that nobody got back from a copy for a year, or ever, or where it failed."""
    if view.ready is None or not view.ready.is_told:
        return
    rule = "restore-never-tried"
    span = timedelta(days=RESTORE_EVERY.of(tuning, rule, Target(box=view.survey.box)))
    found: list[Irreplaceable] = []
    evidence: list[Evidence] = []
    failed = False
    for thing in things(view):
        tried = [r for r in view.ready.restores if r.thing == thing.name]
        last = max(tried, key=lambda r: r.at, default=None)
        if last is not None and last.worked and view.now - last.at < span:
            continue
        found.append(thing)
        failed = failed or (last is not None and not last.worked)
        if last is None:
            words = "never tried"
        else:
            how = "worked" if last.worked else "did not work"
            words = f"{how} on {say_day(last.at)}, from {last.copy}"
        evidence.append(Evidence(what=thing.name, value=words))
    if found:
        yield box_finding(
            view,
            rule,
            urgency=Urgency.THIS_WEEK if failed else Urgency.NOTE,
            sentence=(
                "The last restore that was tried did not work."
                if failed
                else f"Nobody has tried to get {_names(found)} back from a copy within a year."
            ),
            next_step=(
                "Get one file back from the copy, compare it, and write it down: midwatch restored."
            ),
            evidence=tuple(evidence),
            level=len(found) + failed,
        )
