"""A way to reach a person. Light: importing it does not bring Apprise into the process."""

from __future__ import annotations

from dataclasses import dataclass

from watcher.facts.finding import Urgency
from watcher.notify.secret import Secret

EVERY_URGENCY = (Urgency.NOTE, Urgency.THIS_WEEK, Urgency.TODAY, Urgency.NOW)
TERMINAL = "terminal"
"""The built-in way: printed where ``midwatch watch`` runs."""

TIMEOUT_SECONDS = 20.0
"""How long one target may take. Our choice: mail servers that hold a greeting back to deter spam
take up to about ten seconds; longer would hold up the other targets."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One way to reach one person."""

    name: str  # unique among the targets of that person
    person: str
    url: Secret  # an Apprise URL, or ``terminal://``
    urgencies: tuple[Urgency, ...] = EVERY_URGENCY  # what goes this way

    @property
    def key(self) -> str:
        """Give the name that is unique among all targets."""
        return f"{self.person}/{self.name}"

    @property
    def is_terminal(self) -> bool:
        """Tell whether messages are printed here and go nowhere."""
        return scheme_of(self.url.reveal()) == TERMINAL


@dataclass(frozen=True, slots=True, kw_only=True)
class SendResult:
    """What came of one try."""

    ok: bool
    permanent: bool = False  # trying the same again would not help
    error: str = ""  # a sentence with every secret taken out; "" when ok
    seconds: float = 0.0
    left_behind: bool = False  # a thread still waits for the server: the process must end
    ours: bool = False  # the sender failed, not the way: nothing is said about the target


def scheme_of(url: str) -> str:
    """Give the scheme of a URL in small letters, "" when it has none."""
    scheme, mark, _ = url.partition("://")
    return scheme.strip().lower() if mark else ""


def ways_to(
    targets: tuple[Target, ...], person: str, urgency: Urgency, *, every: bool = False
) -> tuple[Target, ...]:
    """Give the ways by which a message of this urgency goes to a person.

    When none of a person's targets takes the urgency, all of them do: a message always has
    somewhere to go. ``every`` asks for all of them, for a message that proves the routes.
    """
    own = tuple(target for target in targets if target.person == person)
    fitting = tuple(target for target in own if every or urgency in target.urgencies)
    return fitting or own
