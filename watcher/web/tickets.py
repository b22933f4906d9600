"""Tickets of forms: each form carries one, tied to who asked for it, and it is good once.

It shows that the form came from a page of ours (so that no other site can send it in somebody's
name), and that it was not sent before. A ticket reads ``ENDS.NONCE.MAC``.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from collections.abc import Iterable
from datetime import datetime, timedelta

from watcher.store.signing import SigningKey

TICKET_LIVES = timedelta(hours=12)
"""How long a page may lie open before its buttons are pressed; our choice: a night."""

_CONTEXT = b"midwatch form 1\n"
_LONGEST = 120


def new_ticket(bond: str, key: SigningKey, now: datetime) -> str:
    """Make a ticket for somebody."""
    ends = int((now + TICKET_LIVES).timestamp())
    told = f"{key.number}.{ends}.{secrets.token_urlsafe(12)}"
    return f"{told}.{_mac(told, bond, key)}"


def is_good(ticket: str, bond: str, keys: Iterable[SigningKey], now: datetime) -> bool:
    """Tell whether a ticket was made for somebody and has not ended."""
    told, _, mac = ticket.rpartition(".")
    words = told.split(".")
    if len(ticket) > _LONGEST or not ticket.isascii() or len(words) != 3:
        return False
    key = next((key for key in keys if str(key.number) == words[0]), None)
    if key is None or not hmac.compare_digest(_mac(told, bond, key), mac):
        return False
    return now.timestamp() < int(words[1])


def _mac(told: str, bond: str, key: SigningKey) -> str:
    text = f"{bond}\n{told}".encode("utf-8", "replace")
    made = hmac.new(key.secret, _CONTEXT + text, hashlib.sha256).digest()
    return base64.urlsafe_b64encode(made[:18]).decode()
