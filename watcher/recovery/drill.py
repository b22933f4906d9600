"""A rehearsal of a drive's loss: what is said, what would be, and what would have gone wrong. Pure.

A drill is a case like any other, in the same book and on the same ladder, about a subject of its
own that no survey sees: real surveys neither clear it nor mix with it. Its name, its sentence and
its next step begin with DRILL, and with them every line of every message about it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Final

from watcher.exposure.estimate import Exposure
from watcher.exposure.figure import say_chance
from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import Subject, about_source
from watcher.facts.pool import AtStake, Pool, Protection
from watcher.facts.readiness import DRILL_MARK, DrillDone, Preparation, ProofState
from watcher.facts.units import capital, say_bytes, say_span
from watcher.recovery.shelf import usable

RULE: Final = "drill"

ANSWER_IN_TIME: Final = {
    Urgency.NOW: timedelta(hours=1),
    Urgency.TODAY: timedelta(hours=8),
}
"""How long an answer may take before the page of the drill objects. Our choice: with no margin left
every hour counts; with margin left, a working day."""

LONG_WINDOW: Final = timedelta(days=7)
"""A window that ends later than this, one time in ten, is objected to. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsal:
    """The loss that is rehearsed, on the real inventory."""

    pool: Pool
    member: str  # as the owner knows it: "bay 3 (…)"
    has_bay: bool  # somebody wrote down where it sits
    exposure: Exposure  # as if it were lost now
    ready: Preparation
    others: tuple[Finding, ...] = ()  # what really holds about other members of the pool
    pool_notes: tuple[Finding, ...] = ()  # what really holds about the pool and its copies

    @property
    def urgency(self) -> Urgency:
        """How urgent the real loss would be."""
        bare = self.exposure.protection in {Protection.BARE, Protection.BROKEN}
        return Urgency.NOW if bare else Urgency.TODAY


def subject_of(number: int) -> Subject:
    """Give the subject of a drill: nothing that a survey sees."""
    return about_source(f"drill-{number}")


def finding_of(number: int, rehearsal: Rehearsal, now: datetime) -> Finding:
    """Make the finding that begins a drill."""
    pool = rehearsal.pool
    return Finding(
        rule=RULE,
        subject=subject_of(number),
        label=f"{DRILL_MARK}{pool.name}",
        urgency=rehearsal.urgency,
        sentence=(
            f"{DRILL_MARK.strip()}, nothing is really wrong: {rehearsal.member} in {pool.name} "
            "counts as lost."
        ),
        next_step=(
            f"{DRILL_MARK.strip()}: answer this message as you would a real one, go to the box, "
            "find the drive and its spare. Touch nothing."
        ),
        observed_at=now,
        evidence=(Evidence(what="rehearsal", value=str(number)),),
        level=1,
    )


def spare_line(rehearsal: Rehearsal, now: datetime) -> str:
    """Say which spare would go in."""
    hot = dict(rehearsal.ready.hot_spares).get(rehearsal.pool.pool, 0)
    if hot:
        return "A hot spare in the pool would take over by itself."
    found = usable(rehearsal.ready, rehearsal.pool, now)
    if not found:
        return "No spare that fits is known."
    best = found[0]
    if best.ordered:
        return f"{capital(best.label)} would be waited for."
    proven = best.proof_at(now) is ProofState.PROVEN
    where = f", {best.place}" if best.place else ""
    words = "proven" if proven else "not proven"
    return f"{capital(best.label)} ({say_bytes(best.bytes)}{where}), {words}."


def what_went_wrong(
    rehearsal: Rehearsal,
    done: DrillDone,
    now: datetime,
    *,
    failing_ways: Iterable[str] = (),
    told: bool = True,
) -> tuple[str, ...]:
    """Name what would have gone wrong, the worst first."""
    wrong: list[str] = []
    limit = ANSWER_IN_TIME[rehearsal.urgency]
    took = done.answer_took
    if not told:
        wrong.append("No message left this box: is the watch running, and is anybody named?")
    elif took is None:
        wrong.append(f"Nobody answered within {say_span(now - done.begun_at)}.")
    elif took > limit:
        wrong.append(f"It took {say_span(took)} until somebody answered.")
    wrong += [f"No message arrived by {way}." for way in failing_ways]
    if rehearsal.exposure.protection is Protection.BROKEN:
        wrong.append("Data would have been lost at once: the pool bears no loss.")
    spare = usable(rehearsal.ready, rehearsal.pool, now)
    hot = dict(rehearsal.ready.hot_spares).get(rehearsal.pool.pool, 0)
    if not spare and not hot:
        wrong.append("There is no spare that fits: one would have to be ordered first.")
    elif spare and not hot and spare[0].proof_at(now) is not ProofState.PROVEN:
        wrong.append("The spare was never proven, or too long ago: it might fail as well.")
    if not rehearsal.has_bay:
        wrong.append(
            "Nobody wrote down in which bay the drive sits: the wrong one might be pulled. Name it "
            "in the settings (drives, bay)."
        )
    window = rehearsal.exposure.window
    if window is not None and window.latest - now > LONG_WINDOW:
        wrong.append(f"The pool might stay exposed until {window.latest:%d %b %Y}: over a week.")
    wrong += [f"{f.label}: {f.sentence} A rebuild reads it end to end." for f in rehearsal.others]
    wrong += [f.sentence for f in rehearsal.pool_notes]
    return tuple(dict.fromkeys(wrong))


_STAKES: Final = {
    AtStake.POOL: "the whole pool",
    AtStake.MEMBER: "what sits on the drive that is lost",
}


def page_of(rehearsal: Rehearsal, done: DrillDone, now: datetime, zone: tzinfo) -> str:
    """Write the page of a drill, with its times in a zone: to keep, or to pin beside the box."""
    exposure = rehearsal.exposure
    lines = [
        f"{DRILL_MARK}of {done.begun_at.astimezone(zone):%d %b %Y %H:%M}, on {rehearsal.pool.name}",
        "A rehearsal. No device was touched, nothing is really wrong.",
        f"Times are those of {zone}.",
        "",
        f"Rehearsed     the loss of {rehearsal.member}, by {done.by}",
        f"Answered      {_answered(done)}",
        f"After it      {_after(exposure)}",
        f"The spare     {spare_line(rehearsal, now)}",
    ]
    window = exposure.window
    if window is not None:
        lines.append(
            f"The window    margin proven back likely by {_at(window.likely, zone)}, earliest "
            f"{_at(window.earliest, zone)}, latest {_at(window.latest, zone)}"
        )
        lines += [
            f"                {part.step.value}: about {_hours(part.span.likely)}"
            for part in window.parts
        ]
    if exposure.chance is not None:
        lines.append(f"Loss          {say_chance(exposure.chance.likely)} before that")
    lines += ["", "What would have gone wrong"]
    lines += [f"  - {one}" for one in done.went_wrong] or ["  Nothing that can be seen from here."]
    lines += [
        "",
        "What a drill does not show: whether the spare really spins up, whether you would pull the",
        "right drive, whether a backup can be read. midwatch drill --hands-on lets you use the",
        "commands on something harmless.",
    ]
    return "\n".join(lines) + "\n"


def _at(moment: datetime, zone: tzinfo) -> str:
    return f"{moment.astimezone(zone):%a %d %b %H:%M}"


def _answered(done: DrillDone) -> str:
    """Say when somebody answered."""
    took = done.answer_took
    if took is None:
        return "by nobody"
    return f"by {done.answered_by or 'somebody'} after {say_span(took)}"


def _after(exposure: Exposure) -> str:
    """Say the protection after the loss, and from which further loss on it would cost data."""
    cost = f"would cost {_STAKES[exposure.at_stake]}"
    match exposure.protection:
        case Protection.BROKEN:
            return "broken: it lost more than it can bear"
        case Protection.BARE:
            return f"bare, no margin left; a further loss {cost}"
        case Protection.THINNED:
            return f"thinned, some margin left; a loss beyond it {cost}"
        case protection:
            return protection.value


def _hours(hours: float) -> str:
    """Say some hours."""
    return say_span(timedelta(hours=hours))
