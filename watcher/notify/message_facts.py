"""What a message is made from beyond the case itself, and what it is when made."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.facts.checks import require_fraction
from watcher.facts.pool import AtStake, Protection, Work


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What a person gets."""

    title: str
    body: str  # lines; the first belongs to the lock screen

    @property
    def text(self) -> str:
        """Give the whole, as it would be printed."""
        return f"{self.title}\n{self.body}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """When full margin is proven back, as a forecast. Aware times, in this order."""

    earliest: datetime
    likely: datetime
    latest: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class LossChance:
    """How likely data is lost before the window closes, with the range of that estimate."""

    likely: float
    low: float
    high: float
    beyond: float | None = None  # of that, what costs more than single files; None: nearly all

    def __post_init__(self) -> None:
        """Check the shares and their order."""
        require_fraction(self.beyond, "beyond")
        for name in ("likely", "low", "high"):
            require_fraction(getattr(self, name), name)
        if not self.low <= self.likely <= self.high:
            raise ValueError("the likely chance lies between low and high")


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolLine:
    """How one pool stands, for a digest."""

    name: str
    protection: Protection
    margin: int | None = None
    full_margin: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What is being watched, for a digest."""

    drives: int
    boxes: int = 0  # by a hub: whose drives and pools those are; 0: it is one box
    pools: tuple[PoolLine, ...] = ()
    notes: tuple[str, ...] = ()  # a sentence each
    blind: tuple[str, ...] = ()  # what cannot be seen, a sentence each
    open_cases: int = 0
    last_survey_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseExtras:
    """What the desk knows beyond the case itself. All optional; what is not known is not said."""

    pool_name: str = ""
    protection: Protection | None = None
    margin: int | None = None
    full_margin: int | None = None
    at_stake: AtStake | None = None
    window: Window | None = None
    loss: LossChance | None = None
    best_choice: str = ""  # a sentence: which plan is safest
    link: str = ""
    box_option: str = ""  # "--box press": how a command names the box; "" where there is only one
    proof: str = ""  # a sentence: what showed that it is over
    lasted: timedelta | None = None
    is_left: bool = False  # it is over because nothing is there any more, not because it is well
    work: Work | None = None
    watched: Watched | None = None  # for the digest, under case 0
