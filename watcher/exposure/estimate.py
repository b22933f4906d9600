"""The whole answer for one pool: how long, how likely, what is at stake, the safest thing to do."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from watcher.exposure.choices import NOTHING_TO_CHOOSE, OpenWindow, Ranking, choices_while_open
from watcher.exposure.fading import choices_while_whole
from watcher.exposure.figure import Figure, say_alike, say_chance
from watcher.exposure.forecast import Forecast, Pace, Progress, forecast
from watcher.exposure.life import CLUSTERING, DriveClass, DriveLife, Recording, kinship
from watcher.exposure.loss import BOUNDED, Loss, is_bounded, loss_over, pool_without
from watcher.exposure.rebuild import (
    SMALLEST_SHARE_LEFT,
    curve_ratio,
    member_capacity,
    reads_whole_device,
    rebuild_span,
)
from watcher.exposure.span import Span
from watcher.exposure.stake import bytes_at_stake, without_backup
from watcher.exposure.standing import life_of, scrub_age, unread_chances
from watcher.exposure.track import time_share
from watcher.exposure.window import Window, WindowPlan, window_of
from watcher.facts.checks import require_utc
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.pool import AtStake, Member, MemberState, Pool, Protection, WorkKind, WorkState
from watcher.facts.units import say_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """What a pool is exposed to, at one moment."""

    pool: PoolId
    name: str
    computed_at: datetime
    protection: Protection
    rehearsal: bool  # on paper: as if a drive were lost
    window: Window | None  # None: no window is open, or none can be told
    loss: Loss | None  # until the rebuild is through; None: as above
    at_stake: AtStake
    bytes_at_stake: int | None  # None: not known
    bytes_without_backup: int | None  # of those; None: not known
    ranking: Ranking
    live: Forecast | None = None  # of a rebuild that runs and has shown its pace
    notes: tuple[str, ...] = ()  # what is not known, a sentence each

    def __post_init__(self) -> None:
        """Check the time."""
        require_utc(self.computed_at, "computed_at")

    @property
    def chance(self) -> Figure | None:
        """The chance that any data is lost before the margin is back."""
        return None if self.loss is None else self.loss.any_data

    @property
    def chance_beyond(self) -> float | None:
        """The likely part of that chance which costs more than single files.

        The rest is unreadable places. None when no window is open, or when that is nearly all of
        it: then one figure says it.
        """
        if self.loss is None:
            return None
        whole = self.loss.beyond_margin.likely
        return None if whole >= NEARLY_ALL * self.loss.any_data.likely else whole

    @property
    def all_of_it(self) -> str:
        """Say what a drive lost beyond the margin costs, in a few words."""
        return "what sits on a drive" if self.at_stake is AtStake.MEMBER else "all of it"

    @property
    def is_open(self) -> bool:
        """Whether an exposure window is open."""
        return self.window is not None

    @property
    def hours_bare(self) -> float | None:
        """The mean hours until the rebuild is through; None when no window is open."""
        return None if self.window is None else self.window.hours_bare

    @property
    def cost(self) -> str:
        """Say what a loss beyond the margin costs."""
        size = say_bytes(self.bytes_at_stake)
        if self.at_stake is AtStake.MEMBER:
            text = f"A loss beyond the margin costs what sits on the lost drives ({size})"
        else:
            text = f"A loss beyond the margin costs everything in the pool ({size})"
        if self.bytes_without_backup is None:
            return f"{text}; how much of it has no backup is not known."
        if self.bytes_without_backup == 0:
            return f"{text}; all of it has a backup."
        return f"{text}; {say_bytes(self.bytes_without_backup)} have no backup."

    @property
    def sentence(self) -> str:
        """Say the window and the chance in one sentence for the owner."""
        match self.protection:
            case Protection.WHOLE:
                return f"{self.name} has its full margin; no window is open."
            case Protection.BROKEN:
                return f"{self.name} has already lost data or cannot be reached."
            case Protection.UNKNOWN | Protection.THINNED | Protection.BARE:
                if self.window is None or self.loss is None:
                    return f"How long {self.name} stays exposed cannot be told."
        likely, latest = self.window.likely, self.window.latest
        chance, high = say_alike(self.loss.any_data.likely, self.loss.any_data.high)
        whole = self.chance_beyond
        more = "" if whole is None else f", of losing {self.all_of_it} {say_chance(whole)}"
        return (
            f"Full margin is proven back about {likely:%a %d %b %H:%M}, at the latest "
            f"{latest:%a %d %b %H:%M}; chance of losing data until then {chance} (up to {high})"
            f"{more}."
        )


NEARLY_ALL = 0.9
"""Share of a chance from which on the rest is not worth a second figure; our choice."""

_NOT_KNOWN_STATE = "The state of some members cannot be seen; they are counted as lost."
_NO_STRUCTURE = "The structure of the pool could not be read, so nothing can be computed."
_NEVER_GUARDED = "The pool was built with no redundancy: no rebuild brings its data back."
_NEVER_READ = "When everything was last read (a scrub) is not known; the drives' age is used."
_TWO_LOST = "More than one member is lost; the window is that of one rebuild, done in parallel."
_SIZE_UNKNOWN = "The size of the lost member is not known; the rebuild time is a wide guess."
_SHINGLED = "The new drive is shingled: filling it can take many times longer."
_MAY_BE_LOST = "With the members that cannot be seen counted as lost, the data is lost already."
_STRANGERS = "Some drives gave no reading; they are counted as drives of unknown kind and age."
_HALTED = "The rebuild is halted; the forecast counts from the moment it is let go."
_STALLED = "The rebuild does not move; the forecast counts from the moment it moves again."


def estimate(
    pool: Pool,
    lives: Mapping[DriveId, DriveLife],
    plan: WindowPlan,
    now: datetime,
    *,
    progress: Sequence[Progress] = (),
    lost_at: datetime | None = None,
    label: Mapping[DriveId, str] | None = None,
) -> Exposure:
    """Give the exposure of a pool now.

    ``lives`` holds what is known of the drives, the lost ones too as they are remembered; a drive
    that is missing there counts as one of unknown class and age. ``progress`` are the looks at a
    running rebuild, ``lost_at`` when the margin was lost (None: just now, the careful side),
    ``label`` what the owner calls the drives.
    """
    return _estimate(_Asked(pool, lives, plan, now, tuple(progress), lost_at, label or {}))


def if_lost(
    pool: Pool,
    drive: DriveId,
    lives: Mapping[DriveId, DriveLife],
    plan: WindowPlan,
    now: datetime,
    *,
    label: Mapping[DriveId, str] | None = None,
) -> Exposure:
    """Give the exposure as it would be if ``drive`` were lost now: a rehearsal on paper.

    Raises ValueError when the pool does not rest on that drive or its structure is not known.
    """
    found = _estimate(_Asked(pool_without(pool, drive), lives, plan, now, (), None, label or {}))
    return replace(found, rehearsal=True)


@dataclass(frozen=True, slots=True)
class _Asked:
    """One question, as it was put."""

    pool: Pool
    lives: Mapping[DriveId, DriveLife]
    plan: WindowPlan
    now: datetime
    progress: tuple[Progress, ...]
    lost_at: datetime | None
    label: Mapping[DriveId, str]


def _estimate(asked: _Asked) -> Exposure:
    pool = asked.pool
    notes: list[str] = []
    closed = Exposure(
        pool=pool.pool,
        name=pool.name,
        computed_at=asked.now,
        protection=pool.protection,
        rehearsal=False,
        window=None,
        loss=None,
        at_stake=pool.at_stake,
        bytes_at_stake=bytes_at_stake(pool),
        bytes_without_backup=without_backup(pool, asked.plan.without_backup_bytes),
        ranking=NOTHING_TO_CHOOSE,
    )
    if pool.tree is None:
        return replace(closed, notes=(_NO_STRUCTURE,))
    if pool.protection is Protection.BROKEN:
        return closed
    if pool.full_margin == 0:
        return replace(closed, notes=(_NEVER_GUARDED,))
    if pool.scrubbed_at is None:
        notes.append(_NEVER_READ)
    if is_bounded(pool.tree):
        notes.append(BOUNDED)
    if pool.protection is Protection.WHOLE:
        ranking = choices_while_whole(
            pool,
            asked.lives,
            asked.plan,
            asked.now,
            scrub_age_hours=scrub_age(pool, asked.now),
            label=asked.label,
        )
        # A replacement that fills beside the drive it replaces leaves the margin full.
        _, live = _running(asked, None)
        return replace(closed, ranking=ranking, live=live, notes=tuple(notes))
    return _open(asked, closed, notes)


def _open(asked: _Asked, closed: Exposure, notes: list[str]) -> Exposure:
    """Fill in window, loss and choices of a pool whose margin is short."""
    pool, plan = asked.pool, asked.plan
    away = [m for m in pool.in_tree if m.state is not MemberState.GOOD]
    gone = _the_lost(away)
    remembered = asked.lives.get(gone.drives[0]) if gone and gone.drives else None
    capacity = member_capacity(pool, gone, remembered)
    running, live = _running(asked, remembered)
    left = _left_of(pool, live) if running else 1.0
    notes += _doubts(asked, away, capacity, plan.new_drive or remembered)
    if running:
        notes += _doubts_of_rebuild(pool, live)

    def window_for(other: WindowPlan) -> Window:
        rebuilding = None
        if running:
            rebuilding = _rebuilding(
                asked, other, live=live, capacity=capacity, new=remembered, left=left
            )
        return window_of(
            pool,
            other,
            asked.now,
            replaced=remembered,
            capacity_bytes=capacity,
            rebuilding=rebuilding,
        )

    loss_for = _loss_function(asked, left)
    window = window_for(plan)
    loss = loss_for(window.bare)
    if loss.beyond_margin.low >= 1.0:
        return replace(closed, notes=(*notes, _MAY_BE_LOST))
    case = OpenWindow(
        pool=pool, plan=plan, window_for=window_for, loss_for=loss_for, running=running
    )
    return replace(
        closed,
        window=window,
        loss=loss,
        ranking=choices_while_open(case),
        live=live,
        notes=tuple(notes),
    )


def _doubts(
    asked: _Asked, away: Sequence[Member], capacity: int | None, new: DriveLife | None
) -> list[str]:
    """Say what is not known, or unusual, about the lost members and the new drive."""
    unseen = sum(member.state is MemberState.UNKNOWN for member in away)
    said = {
        _NOT_KNOWN_STATE: unseen > 0,
        _SIZE_UNKNOWN: capacity is None,
        _TWO_LOST: len(away) - unseen > 1,
        _SHINGLED: new is not None and new.recording is Recording.SHINGLED,
        _STRANGERS: any(drive not in asked.lives for drive in asked.pool.drives),
    }
    return [text for text, holds in said.items() if holds]


def _doubts_of_rebuild(pool: Pool, live: Forecast | None) -> list[str]:
    """Say when a rebuild does not go on."""
    if pool.work is not None and pool.work.state is not WorkState.RUNNING:
        return [_HALTED]
    return [_STALLED] if live is not None and live.pace is Pace.STALLED else []


def _the_lost(away: Sequence[Member]) -> Member | None:
    """Give the member that a rebuild must fill: the largest of those that are not good."""
    known = [member for member in away if member.state is not MemberState.UNKNOWN]
    return max(known, key=lambda m: m.capacity_bytes or 0, default=None)


_FILLING = frozenset({WorkKind.REBUILD, WorkKind.FIRST_BUILD})


def _running(asked: _Asked, new: DriveLife | None) -> tuple[bool, Forecast | None]:
    """Tell whether a rebuild is under way (halted ones too), and forecast it from its progress."""
    work = asked.pool.work
    if work is None or work.kind not in _FILLING:
        return False, None
    seen = list(asked.progress)
    at = asked.pool.observed_at
    if work.done_fraction is not None and (not seen or seen[-1].at < at):
        seen.append(Progress(at=at, done=work.done_fraction))
    if work.state is not WorkState.RUNNING:
        return True, None
    kind = DriveClass.UNKNOWN if new is None else new.drive_class
    in_order = reads_whole_device(asked.pool.kind)
    return True, forecast(seen, asked.now, drive_class=kind, in_disk_order=in_order)


def _left_of(pool: Pool, live: Forecast | None) -> float:
    """Give the share of the data that the rebuild has still to read."""
    if live is not None:
        return 1.0 - live.done
    done = pool.work.done_fraction if pool.work else None
    return 1.0 - (done or 0.0)


def _rebuilding(
    asked: _Asked,
    plan: WindowPlan,
    *,
    live: Forecast | None,
    capacity: int | None,
    new: DriveLife | None,
    left: float,
) -> Span:
    """Give what is left of a running rebuild under a plan that may change the load."""
    if live is None:
        whole = rebuild_span(asked.pool, plan.load, capacity_bytes=capacity, new=new)
        ratio = curve_ratio(new.drive_class if new else DriveClass.UNKNOWN)
        return whole.times(1.0 - time_share(1.0 - left, ratio))
    now_left = max(SMALLEST_SHARE_LEFT, 1.0 - asked.plan.load.busy_share)
    then_left = max(SMALLEST_SHARE_LEFT, 1.0 - plan.load.busy_share)
    return live.left.times(now_left / then_left)


def _loss_function(asked: _Asked, left: float) -> Callable[[Span], Loss]:
    """Give the function from a time bare to the chances of loss in it."""
    pool, tree = asked.pool, asked.pool.tree
    assert tree is not None  # noqa: S101 - the caller has looked
    unread = unread_chances(
        pool, asked.lives, scrub_age_hours=scrub_age(pool, asked.now), left_share=left
    )
    clustering = CLUSTERING[kinship(life_of(asked.lives, drive) for drive in sorted(pool.drives))]
    since = 0.0
    if asked.lost_at is not None:
        since = max(0.0, (asked.now - asked.lost_at).total_seconds() / 3600.0)

    def loss_for(bare: Span) -> Loss:
        return loss_over(
            tree,
            asked.lives,
            bare,
            unread=unread,
            clustering=clustering,
            since_first_hours=since,
            margin=pool.margin,
        )

    return loss_for
