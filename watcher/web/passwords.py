"""Passwords: only a check of each is kept, made with scrypt (RFC 7914) from the standard library.

The check reads ``scrypt$N$r$p$SALT$HASH``, so that a later version can ask for more work and old
ones still check. One password is computed at a time: sixteen mebibytes of memory, not sixteen for
each who knocks.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import secrets
import threading

COST, BLOCK, LANES = 2**14, 8, 5
"""N, r and p: 16 MiB and about 0.2 s. One of the equal settings of the OWASP password storage
cheat sheet (from memory); the smallest that keeps the process within its memory."""

SHORTEST, LONGEST = 12, 200
"""Characters of a password. NIST SP 800-63B asks for at least 8 with a second factor and 15
without (revision 4, from memory); 12 is our choice between. Nothing else is asked of it."""

_SALT_BYTES, _HASH_BYTES = 16, 32
_MOST_MEMORY = 64 * 1024 * 1024
_one_at_a_time = threading.Lock()


def make_check(password: str, salt: bytes | None = None) -> str:
    """Give the check of a password; a fresh salt is drawn when none is given."""
    salt = secrets.token_bytes(_SALT_BYTES) if salt is None else salt
    made = _work(password, salt, COST, BLOCK, LANES)
    return f"scrypt${COST}${BLOCK}${LANES}${_text(salt)}${_text(made)}"


def is_right(password: str, check: str) -> bool:
    """Tell whether a password fits its check; False for a check that cannot be read."""
    try:
        name, cost, block, lanes, salt, wanted = check.split("$")
        if name != "scrypt" or len(password) > LONGEST:
            return False
        made = _work(password, base64.b64decode(salt), int(cost), int(block), int(lanes))
        return hmac.compare_digest(made, base64.b64decode(wanted))
    except (ValueError, binascii.Error):
        return False


def fault_of(password: str, name: str) -> str:
    """Say what is wrong with a new password, "" when nothing is."""
    if len(password) < SHORTEST:
        return f"A password has at least {SHORTEST} characters."
    if len(password) > LONGEST:
        return f"A password has at most {LONGEST} characters."
    if len(set(password)) < 5 or name.casefold() in password.casefold():
        return "This password is guessed at once; take several words that do not belong together."
    return ""


NOBODY = f"scrypt${COST}${BLOCK}${LANES}$AAAAAAAAAAAAAAAAAAAAAA==${'A' * 43}="
"""The check against which a password is tried when there is no such account, so that the answer
takes as long."""


def _work(password: str, salt: bytes, cost: int, block: int, lanes: int) -> bytes:
    with _one_at_a_time:
        return hashlib.scrypt(
            password.encode(),
            salt=salt,
            n=cost,
            r=block,
            p=lanes,
            maxmem=_MOST_MEMORY,
            dklen=_HASH_BYTES,
        )


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode()
