"""What can go wrong between a box and its hub, divided by what the box can do about it.

HubError
├── Unreachable   no answer, or one that makes no sense: the survey waits and is sent again
└── Refused       the hub answered that it does not take this; ``why`` says which of them:
                  NOT_KNOWN, TWO_SENDERS, NEWER, UNREADABLE, TOO_LARGE, CODE, FAULT, …
"""

from __future__ import annotations

from enum import StrEnum


class Why(StrEnum):
    """Why a hub does not take something."""

    NOT_KNOWN = "not-known"  # the token is none of ours, or was taken away
    TWO_SENDERS = "two-senders"  # another machine sends under the same identity
    NEWER = "newer"  # written by a newer version than the hub's
    UNREADABLE = "unreadable"  # cut, garbled, or not what it should be
    TOO_LARGE = "too-large"
    CODE = "code"  # a one-time code that is wrong, used or over
    RETURNED = "returned"  # the box was given back and is not watched any more
    FAULT = "fault"  # the hub has a fault of its own with this; it goes on with others
    BUSY = "busy"  # later


class HubError(Exception):
    """A box and its hub did not come together."""


class Unreachable(HubError):
    """No answer came, or none that makes sense."""


class Refused(HubError):
    """The other side does not take it, and says why in one sentence."""

    def __init__(self, why: Why, sentence: str) -> None:
        """Keep the reason and the sentence."""
        self.why = why
        self.sentence = sentence
        super().__init__(sentence)
