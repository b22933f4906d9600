"""What can be done now, and how safe each of it is: computed, not recited.

Every choice is the same computation with another plan. The measure is the chance of losing data
that has no copy elsewhere, where it is known how much of that there is, and the chance of losing
any data otherwise. The safest comes first; when the next one is nearly as safe that is said.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from watcher.exposure.figure import Figure, say_alike
from watcher.exposure.life import DriveLife
from watcher.exposure.loss import Loss
from watcher.exposure.rebuild import Load
from watcher.exposure.span import NO_TIME, Span, lasting
from watcher.exposure.window import Spare, Step, Window, WindowPlan
from watcher.facts.identity import DriveId
from watcher.facts.pool import Pool
from watcher.facts.units import say_bytes, say_span

CLOSE_FACTOR = 1.25
"""Two choices whose chances differ by less than this factor are too close to call: our choice, the
inputs are not known any better."""

SERVING_BUSY_SHARE = 0.6
"""Share of the drives' time that users get when they are served first; our choice."""

COPY_SLOWS_REBUILD = 0.3
"""Share of the drives' time that a copy beside a running rebuild takes; our choice."""

NOTICEABLE_BUSY_SHARE = 0.05
"""Below this the users cost a rebuild nothing worth a choice; our choice."""


class ChoiceKind(StrEnum):
    """What is done, what asks least of the owner first."""

    LET_IT_RUN = "let-it-run"
    REBUILD_AT_ONCE = "rebuild-at-once"
    WAIT = "wait"
    SERVE_USERS = "serve-users"
    BURN_IN_FIRST = "burn-in-first"
    REPLACE_KEEPING = "replace-keeping"
    REPLACE_PULLING = "replace-pulling"
    COPY_ALONGSIDE = "copy-alongside"
    COPY_FIRST = "copy-first"
    LIGHTEN_LOAD = "lighten-load"
    SECOND_SPARE = "second-spare"


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One thing that can be done now."""

    kind: ChoiceKind
    title: str  # what to do, in a few words
    chance: Figure  # of losing any data
    irreplaceable: Figure | None  # of losing data that has no copy; None: not known how much
    hours_bare: float  # mean hours with the margin short
    through: datetime | None  # likely end, in the owner's zone
    costs: str  # what it costs, one sentence
    drive: DriveId | None = None  # the drive it is about

    @property
    def measure(self) -> float:
        """The chance it is ranked by."""
        return self.chance.likely if self.irreplaceable is None else self.irreplaceable.likely


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranking:
    """The choices, safest first, and why."""

    choices: tuple[Choice, ...] = ()
    too_close: bool = False  # the first two do not differ by more than we know
    reason: str = ""  # one sentence; empty when there is nothing to choose

    @property
    def best(self) -> Choice | None:
        """The safest choice, or None when there is nothing to choose."""
        return self.choices[0] if self.choices else None


NOTHING_TO_CHOOSE = Ranking()

_EFFORT = {kind: place for place, kind in enumerate(ChoiceKind)}


def rank(choices: list[Choice]) -> Ranking:
    """Put the safest first and give the reason.

    Among those too close to the safest to call, what asks least of the owner comes first.
    """
    if not choices:
        return NOTHING_TO_CHOOSE
    safest = min(choice.measure for choice in choices)
    near = [c for c in choices if c.measure <= safest * CLOSE_FACTOR]
    far = [c for c in choices if c.measure > safest * CLOSE_FACTOR]
    near.sort(key=lambda c: (_EFFORT[c.kind], c.measure))
    far.sort(key=lambda c: (c.measure, _EFFORT[c.kind]))
    ordered = (*near, *far)
    if len(ordered) == 1:
        return Ranking(choices=ordered, reason=f"{ordered[0].title}: the only way on.")
    what = "data that has no copy" if ordered[0].irreplaceable is not None else "data"
    if len(near) > 1:
        one, other = say_alike(near[0].measure, near[1].measure)
        reason = (
            f"Too close to call between “{near[0].title}” and “{near[1].title}”: a chance of losing"
            f" {what} of {one} and {other}. The first asks less of you."
        )
        return Ranking(choices=ordered, too_close=True, reason=reason)
    best, second = ordered[0], ordered[1]
    spared = second.hours_bare - best.hours_bare
    shorter = f", and {_say(spared)} less exposed" if spared >= LEAST_SPARED_HOURS else ""
    chance, against = say_alike(best.measure, second.measure)
    reason = (
        f"{best.title}: a chance of losing {what} of {chance}, against {against} for"
        f" “{second.title}”{shorter}."
    )
    return Ranking(choices=ordered, reason=reason)


LEAST_SPARED_HOURS = 0.5
"""A shorter time saved is not worth a word; our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenWindow:
    """A pool whose margin is short, with the means to compute its window and loss anew."""

    pool: Pool
    plan: WindowPlan
    window_for: Callable[[WindowPlan], Window]
    loss_for: Callable[[Span], Loss]
    running: bool  # a rebuild is under way


def choices_while_open(case: OpenWindow) -> Ranking:
    """Rank what can be done while the margin is short."""
    return rank(_while_rebuilding(case) if case.running else _before_rebuilding(case))


def _before_rebuilding(case: OpenWindow) -> list[Choice]:
    """List the choices before the new drive goes in."""
    plan = replace(case.plan, burn_in=False)
    here = plan.spare not in {Spare.ORDERED, Spare.NONE}
    title = "Rebuild at once" if here else "Rebuild as soon as a new drive is here"
    choices = [_option(case, ChoiceKind.REBUILD_AT_ONCE, title, plan, "nothing more")]
    base = choices[0].hours_bare
    if plan.spare not in {Spare.IN_PLACE, Spare.PROVEN} and plan.burn_in_passes:
        tested = replace(plan, burn_in=True)
        one = _option(case, ChoiceKind.BURN_IN_FIRST, "Burn the new drive in first", tested, "")
        longer = one.hours_bare - base
        costs = "erases the new drive"
        if longer >= LEAST_SPARED_HOURS:
            costs = f"about {_say(longer)} more with the margin short; {costs}"
        choices.append(replace(one, costs=costs))
    if plan.without_backup_bytes:
        choices.append(_copy_first(case, plan))
    if plan.load.busy_share >= NOTICEABLE_BUSY_SHARE:
        choices.append(_lighter(case, plan))
    if plan.load.busy_share < SERVING_BUSY_SHARE:
        choices.append(_serving(case, plan))
    if plan.spare is not Spare.IN_PLACE and not plan.second_spare:
        spared = replace(plan, second_spare=True)
        title = "Have a second spare ready before the rebuild"
        choices.append(
            _option(case, ChoiceKind.SECOND_SPARE, title, spared, "the price of one more drive")
        )
    return choices


def _while_rebuilding(case: OpenWindow) -> list[Choice]:
    """List the choices while the rebuild runs."""
    plan = case.plan
    choices = [_option(case, ChoiceKind.LET_IT_RUN, "Let the rebuild run", plan, "nothing more")]
    if plan.load.busy_share >= NOTICEABLE_BUSY_SHARE:
        choices.append(_lighter(case, plan))
    if plan.without_backup_bytes:
        choices.append(_copy_alongside(case, plan))
    return choices


def _lighter(case: OpenWindow, plan: WindowPlan) -> Choice:
    """Stop the users, so that the rebuild is quicker."""
    idle = replace(plan, load=_load(plan, 0.0))
    title = "Stop other use of the pool until the rebuild is through"
    one = _option(case, ChoiceKind.LIGHTEN_LOAD, title, idle, "")
    hours = next((p.span.mean for p in case.window_for(idle).parts if p.step is Step.REBUILD), 0.0)
    return replace(one, costs=f"the pool is out of use for about {_say(hours)}")


def _serving(case: OpenWindow, plan: WindowPlan) -> Choice:
    """Serve the users first, so that the rebuild is slower."""
    busy = replace(plan, load=_load(plan, SERVING_BUSY_SHARE))
    title = "Serve the users first and let the rebuild take longer"
    return _option(case, ChoiceKind.SERVE_USERS, title, busy, "a longer time with the margin short")


def _load(plan: WindowPlan, busy_share: float) -> Load:
    return replace(plan.load, busy_share=busy_share)


def _option(case: OpenWindow, kind: ChoiceKind, title: str, plan: WindowPlan, costs: str) -> Choice:
    """Compute one choice that is nothing but another plan."""
    window = case.window_for(plan)
    loss = case.loss_for(window.bare)
    return Choice(
        kind=kind,
        title=title,
        chance=loss.any_data,
        irreplaceable=_irreplaceable(case, loss),
        hours_bare=window.hours_bare,
        through=window.likely,
        costs=costs,
    )


def _share_without_copy(case: OpenWindow) -> float | None:
    """Give which share of the pool's data has no copy elsewhere; None when not known."""
    bytes_alone = case.plan.without_backup_bytes
    if bytes_alone is None:
        return None
    held = case.pool.used_bytes or case.pool.capacity_bytes
    if not held:
        return 1.0 if bytes_alone else 0.0
    return min(1.0, bytes_alone / held)


def _irreplaceable(case: OpenWindow, loss: Loss) -> Figure | None:
    """Give the chance of losing data with no copy; None when not known how much, or none, there is.

    All of it goes with the pool; where only some files are lost, its share of them.
    """
    share = _share_without_copy(case)
    if share is None or share == 0.0:
        return None
    return _lost_alone(share, loss)


def _lost_alone(share: float, loss: Loss) -> Figure:
    """Give the chance that data is lost of which this share of the pool is made."""
    low, likely, high = (
        whole + share * files
        for whole, files in zip(loss.beyond_margin.ends, loss.some_files.ends, strict=True)
    )
    return Figure.chance(low, likely, high)


def _copy_span(plan: WindowPlan) -> Span:
    """Give how long copying all that has no copy takes, in hours."""
    hours = (plan.without_backup_bytes or 0) / plan.copy_bytes_per_second / 3600.0
    return Span.about(hours, hours * 1.2, hours * 2.0) if hours else NO_TIME


def _after_copy(
    case: OpenWindow, plan: WindowPlan, bare: Span, copying: Span, window: Window
) -> Choice:
    """Compute a choice in which data with no copy is exposed only while it is copied."""
    whole = case.loss_for(bare)
    size = say_bytes(plan.without_backup_bytes)
    return Choice(
        kind=ChoiceKind.COPY_FIRST,
        title=f"First copy the {size} that have no copy, then rebuild",
        chance=whole.any_data,
        irreplaceable=_irreplaceable(case, case.loss_for(copying)),
        hours_bare=bare.mean,
        through=window.likely,
        costs="",
    )


def _copy_first(case: OpenWindow, plan: WindowPlan) -> Choice:
    """Copy what has no copy before the rebuild begins; the wait for a spare is used for it."""
    window = case.window_for(plan)
    copying = _copy_span(plan)
    waiting = sum(part.span.mean for part in window.parts if part.step in {Step.SPARE, Step.REACH})
    delay = max(0.0, copying.mean - waiting)
    one = _after_copy(case, plan, window.bare.plus(Span.exactly(delay)), copying, window)
    costs = f"the rebuild begins about {_say(delay)} later" if delay >= 0.1 else "no time is lost"
    return replace(
        one,
        costs=f"{costs}; a place for {say_bytes(plan.without_backup_bytes)}",
        through=window.likely + lasting(delay),
    )


def _copy_alongside(case: OpenWindow, plan: WindowPlan) -> Choice:
    """Copy what has no copy while the rebuild runs; both are slower."""
    window = case.window_for(plan)
    copying = _copy_span(plan)
    slower = Span.exactly(copying.mean * COPY_SLOWS_REBUILD)
    one = _after_copy(case, plan, window.bare.plus(slower), copying, window)
    size = say_bytes(plan.without_backup_bytes)
    return replace(
        one,
        kind=ChoiceKind.COPY_ALONGSIDE,
        title=f"Copy the {size} that have no copy while the rebuild runs",
        costs=f"the rebuild takes about {_say(slower.mean)} longer; a place for {size}",
    )


def _say(hours: float) -> str:
    return say_span(lasting(hours))


def fading(lives: Mapping[DriveId, DriveLife], pool: Pool) -> tuple[DriveLife, ...]:
    """Name the drives of a pool whose signs make them much likelier to fail, worst first."""
    risky = [
        life
        for drive, life in lives.items()
        if drive in pool.drives and life.risk.likely >= FADING_RISK
    ]
    return tuple(sorted(risky, key=lambda life: (-life.risk.likely, life.drive)))


FADING_RISK = 5.0
"""Relative risk from which a drive counts as fading: our choice; the weakest of the published
strong signs (first reallocation) is 14 times (Pinheiro et al., FAST 2007, second hand)."""
