"""Signed links: what a message carries so that one tap opens a case, without signing in.

A link is for one person, one box and one case (or the list of all open cases), ends by itself,
and lets its holder see that case and answer it, nothing else. It reads
``KEY.PURPOSE+CASE.ENDS.PERSON.BOX.MAC``: the key's number, ``c`` or ``l`` with the case's number,
the hour since 1970 at which it ends, both names in base32, and the HMAC-SHA256 (RFC 2104, cut to
160 bits as its section 5 allows) over all before it. Only letters, digits and dots: no mail
program cuts such a link, and nothing about it hinges on upper or lower case.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from watcher.facts.identity import BoxId
from watcher.store.signing import SigningKey
from watcher.store.times import EPOCH

LINK_LIVES = timedelta(days=7)
"""How long a link works; our choice: a message from before a week's leave still opens its case,
and later messages bring fresh links."""

LINK_FOLDER = "/a/"
"""The path under which the pages take links."""

_CONTEXT = b"midwatch link 1\n"
_MAC_BYTES = 20
_SHAPE = re.compile(
    r"([1-9]\d{0,8})\.([cl])(\d{1,9})\.(\d{1,8})\.([a-z2-7]*)\.([a-z2-7]*)\.[a-z2-7]{32}"
)
_LONGEST = 400


class Purpose(StrEnum):
    """What a link opens."""

    CASE = "c"
    LIST = "l"  # all open cases of a box


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """What a link says."""

    person: str
    box: BoxId
    ends_at: datetime  # a whole hour
    purpose: Purpose = Purpose.CASE
    case: int = 0  # 0 for the list


class Refused(StrEnum):
    """Why a link does not work."""

    WRONG = "wrong"  # not made by us, or changed, or its key is gone
    ENDED = "ended"


def sign(link: Link, key: SigningKey) -> str:
    """Give a link as text."""
    hours = int((link.ends_at - EPOCH) / timedelta(hours=1))
    told = ".".join(
        (
            str(key.number),
            f"{link.purpose.value}{link.case}",
            str(hours),
            _pack(link.person),
            _pack(link.box),
        )
    )
    return f"{told}.{_mac(told, key)}"


def new_link(person: str, box: BoxId, case: int, now: datetime) -> Link:
    """Make the link to a case (0: to the list of open cases), rounded up to a whole hour."""
    hours = -((EPOCH - now - LINK_LIVES) // timedelta(hours=1))
    return Link(
        person=person,
        box=box,
        ends_at=EPOCH + timedelta(hours=hours),
        purpose=Purpose.CASE if case else Purpose.LIST,
        case=case,
    )


def check(text: str, keys: Iterable[SigningKey], now: datetime) -> Link | Refused:
    """Give what a link says when it was made by one of the keys and has not ended."""
    found = _SHAPE.fullmatch(text) if len(text) <= _LONGEST else None
    if found is None:
        return Refused.WRONG
    number, purpose, case, hours, person, box = found.groups()
    key = next((key for key in keys if key.number == int(number)), None)
    told, _, mac = text.rpartition(".")
    if key is None or not hmac.compare_digest(_mac(told, key), mac):
        return Refused.WRONG
    try:
        link = Link(
            person=_unpack(person),
            box=BoxId(_unpack(box)),
            ends_at=EPOCH + timedelta(hours=int(hours)),
            purpose=Purpose(purpose),
            case=int(case),
        )
    except (ValueError, OverflowError):
        return Refused.WRONG
    return link if now < link.ends_at else Refused.ENDED


def link_address(page_url: str, link: Link, key: SigningKey) -> str:
    """Give the full address of a link."""
    return f"{page_url.rstrip('/')}{LINK_FOLDER}{sign(link, key)}"


def _mac(told: str, key: SigningKey) -> str:
    whole = hmac.new(key.secret, _CONTEXT + told.encode(), hashlib.sha256).digest()
    return base64.b32encode(whole[:_MAC_BYTES]).decode().lower()


def _pack(text: str) -> str:
    return base64.b32encode(text.encode("utf-8", "replace")).decode().rstrip("=").lower()


def _unpack(text: str) -> str:
    padded = text.upper() + "=" * (-len(text) % 8)
    try:
        return base64.b32decode(padded).decode()
    except (binascii.Error, UnicodeDecodeError) as error:
        raise ValueError("not a name") from error
