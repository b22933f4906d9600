"""What a page is asked, and what it answers: the two sides of every handler."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from watcher.facts.identity import BoxId
from watcher.service.links import Link
from watcher.store.accounts import Role


class Needs(StrEnum):
    """What somebody must have to be let in at an address."""

    NOTHING = "nothing"
    LINK = "link"  # a signed link
    LOOK = "look"  # an account, or a program's token at the addresses for programs
    ACT = "act"
    MANAGE = "manage"


@dataclass(frozen=True, slots=True, kw_only=True)
class Holder:
    """Who is asking, and what they may do."""

    name: str  # of the account, the person of the link, or the program
    by: str  # under which name answers are written down
    role: Role
    bond: str = field(repr=False)  # what their forms are tied to
    boxes: frozenset[BoxId] | None = None  # what they may see; None: all boxes
    client: str = ""  # of which client they are; "": of the shop, or of the only box
    link: Link | None = None  # what they came with, when not signed in
    link_text: str = field(default="", repr=False)
    session: str = field(default="", repr=False)  # hash of the session they are signed in with

    def may_see(self, box: BoxId) -> bool:
        """Tell whether this box is theirs to see."""
        if self.link is not None:
            return box == self.link.box
        return self.boxes is None or box in self.boxes


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """One request, its sizes already checked."""

    method: str
    path: str
    now: datetime
    parts: Mapping[str, str] = field(default_factory=dict)  # what the address holds
    query: Mapping[str, str] = field(default_factory=dict)  # the first of each name
    form: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    body: bytes = b""
    headers: Mapping[str, str] = field(default_factory=dict)  # names in small letters
    cookies: Mapping[str, str] = field(default_factory=dict)
    address: str = ""  # where it comes from
    holder: Holder | None = None

    def field(self, name: str) -> str:
        """Give a field of the form without blanks around it, "" when it was not filled in."""
        return self.form.get(name, ("",))[0].strip()

    @property
    def who(self) -> Holder:
        """Give who is asking; RuntimeError where nobody had to be known."""
        if self.holder is None:
            raise RuntimeError("nobody is known here")
        return self.holder


HTML = "text/html; charset=utf-8"
JSON = "application/json"
PLAIN = "text/plain; charset=utf-8"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """What goes back."""

    body: bytes | str = b""
    status: int = 200
    kind: str = HTML
    headers: tuple[tuple[str, str], ...] = ()

    @property
    def bytes(self) -> bytes:
        """Give the body as it goes over the wire."""
        return self.body.encode() if isinstance(self.body, str) else self.body


def go_to(address: str, *headers: tuple[str, str]) -> Reply:
    """Send the browser to another page after a form."""
    return Reply(status=303, kind=PLAIN, headers=(("location", address), *headers))


class Refusal(Exception):
    """A request that is not answered as asked: a status and a sentence for the person."""

    def __init__(
        self, status: int, sentence: str, *, headers: tuple[tuple[str, str], ...] = ()
    ) -> None:
        """Keep the status, the sentence and what else goes back."""
        self.status = status
        self.sentence = sentence
        self.headers = headers
        super().__init__(sentence)


def not_found(what: str) -> Refusal:
    """Say that there is nothing of that name, the same words whether or not one may see it."""
    return Refusal(404, f"There is no {what} here.")
