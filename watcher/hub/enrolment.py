"""How a box comes to be known: one-time codes, tokens, and their hashes.

A code has 100 bits, a token 256, from the system's source of chance; both are kept as SHA-256
only. A hash without salt and without stretching is enough for what nobody can guess.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from watcher.facts.identity import BoxId
from watcher.hub.errors import Refused, Why
from watcher.store.hub import BoxState, EnrolledBox, Invitation, Shown
from watcher.store.transaction import Transaction

if TYPE_CHECKING:
    from watcher.hub.wire import Joining  # a page that invites needs none of it

LETTERS = "ABCDEFGHJKMNPQRSTVWXYZ0123456789"
"""For codes that are read out or typed: no I, L, O or U. Our choice; 32 of them, 5 bits each."""

CODE_LETTERS, GROUP = 20, 5
TOKEN_BYTES = 32
CODE_LIVES = timedelta(days=3)
"""How long an invitation is good; our choice: made on a Friday, typed on a Monday."""
TOKEN_RENEWED = timedelta(days=30)
"""A token that old is to be replaced; our choice."""
KEPT_AFTER = timedelta(days=30)

NOT_KNOWN = "This box is not known here: join it again with a new code."

_HASH = re.compile(r"[0-9a-f]{64}")
_SAID_ALIKE = str.maketrans({"I": "1", "L": "1", "O": "0", "U": "V"})


def new_code() -> str:
    """Make a one-time code, in groups."""
    text = "".join(secrets.choice(LETTERS) for _ in range(CODE_LETTERS))
    return "-".join(text[n : n + GROUP] for n in range(0, CODE_LETTERS, GROUP))


def new_token() -> str:
    """Make a token of a box."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def hash_of(secret: str) -> str:
    """Give by what a secret is known here."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()


def plain_code(code: str) -> str:
    """Read a code as it was typed: groups, small letters and look-alikes do not matter."""
    return re.sub(r"[\s-]", "", code.upper()).translate(_SAID_ALIKE)


def invite(
    tx: Transaction, client: str, box: str, now: datetime, lives: timedelta = CODE_LIVES
) -> str:
    """Make an invitation and give its code; it is told once."""
    code = new_code()
    tx.tidy_hub(now - KEPT_AFTER)
    tx.invite(hash_of(plain_code(code)), client, box, now=now, ends_at=now + lives)
    return code


def join(
    tx: Transaction, asked: Joining, now: datetime, *, own: BoxId | None = None
) -> EnrolledBox:
    """Enrol the box that shows a one-time code. Raises Refused.

    ``own`` is the hub's own name, by which no box is called: its book is the hub's.

    The box that used a code may ask again with the same token: it did not hear the answer.
    """
    found, before = _open_to(tx, asked, now)
    if before is not None:
        return before
    box = _name_for(tx, found.client, found.box or asked.box, anew=bool(found.box), own=own)
    tx.use_invitation(hash_of(plain_code(asked.code)), token=asked.token_hash, box=box)
    tx.enrol(box, found.client, now, asked.every_seconds)
    tx.revoke_box(box)
    tx.add_box_token(asked.token_hash, box, now)
    enrolled = tx.enrolled(box)
    if enrolled is None:
        raise RuntimeError("a box that was just enrolled is not there")
    return enrolled


def check_code(tx: Transaction, asked: Joining, now: datetime) -> None:
    """Look whether a code is good for this, and write nothing. Raises Refused."""
    _open_to(tx, asked, now)


def _open_to(
    tx: Transaction, asked: Joining, now: datetime
) -> tuple[Invitation, EnrolledBox | None]:
    """Give the invitation of a code, and the box that used it when it asks again."""
    if _HASH.fullmatch(asked.token_hash) is None:
        raise Refused(Why.UNREADABLE, "A token is named by its SHA-256 in small letters.")
    found = tx.invitation(hash_of(plain_code(asked.code)))
    if found is not None and found.token:
        if hmac.compare_digest(found.token, asked.token_hash):
            known = tx.enrolled(BoxId(found.box))
            if known is not None and tx.knows_token(asked.token_hash):
                return found, known
        raise Refused(Why.CODE, "This code was used already: ask for a new one.")
    if found is None or found.ends_at <= now:
        raise Refused(Why.CODE, "This code is wrong or its time is over: ask for a new one.")
    return found, None


def _name_for(tx: Transaction, client: str, wanted: str, *, anew: bool, own: BoxId | None) -> BoxId:
    """Name a box: as it is called, with its client where another client's is called so.

    A box of the same client by that name is joined anew only when it was given back, never sent
    anything, or was invited by name (``anew``); otherwise the new one gets a number.
    """
    named = tx.enrolled(BoxId(wanted)) if anew else None
    if named is not None and named.client == client:
        return named.box  # as it is called here, with its client in brackets
    plain = re.sub(r"[^\w. -]", "-", wanted)[:60].strip(" .-") or "box"
    for number in range(1, 1000):
        tail = "" if number == 1 else f" {number}"
        for name in (f"{plain}{tail}", f"{plain}{tail} ({client})"):
            if name == own:
                continue
            known = tx.enrolled(BoxId(name))
            if known is None:
                return BoxId(name)
            if known.client != client:
                continue
            if anew or known.state is BoxState.RETURNED or known.heard_at is None:
                return BoxId(name)
            break
    raise Refused(Why.CODE, "There are too many boxes of that name: name it in the invitation.")


def identify(tx: Transaction, token: str, now: datetime) -> Shown:
    """Say whose token it is. Raises Refused.

    The first use of a token ends those that it replaces.
    """
    hashed = hash_of(token)
    shown = tx.shown(hashed)
    if shown is None:
        raise Refused(Why.NOT_KNOWN, NOT_KNOWN)
    if shown.box.state is BoxState.RETURNED:
        raise Refused(Why.RETURNED, "This box was given back and is not watched any more.")
    if shown.used_at is None:
        tx.token_used(hashed, shown, now)
    return shown


def renew(tx: Transaction, token: str, token_hash: str, now: datetime) -> EnrolledBox:
    """Let a box be known by a new token too; the old one ends when the new one is used."""
    if _HASH.fullmatch(token_hash) is None:
        raise Refused(Why.UNREADABLE, "A token is named by its SHA-256 in small letters.")
    shown = identify(tx, token, now)
    if tx.shown(token_hash) is None:
        tx.add_box_token(token_hash, shown.box.box, now)
    return shown.box
