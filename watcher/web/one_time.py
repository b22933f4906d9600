"""One-time codes of a phone: RFC 6238 (TOTP) over RFC 4226 (HOTP), with SHA-1 and 30 seconds.

That is what every authenticator understands. A code is good for its step and for the one before
and after it (RFC 6238, section 5.2), and only once: the caller keeps the last step that was used.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import secrets
from datetime import datetime
from urllib.parse import quote

STEP_SECONDS = 30
DIGITS = 6
KEY_BYTES = 20
"""RFC 4226, section 4, R6: a key of 160 bits is recommended."""

_AROUND = (0, -1, 1)


def code_at(key: bytes, step: int, *, digits: int = DIGITS, algorithm: str = "sha1") -> str:
    """Give the code of a step: RFC 4226, section 5.3."""
    mac = hmac.new(key, step.to_bytes(8, "big"), algorithm).digest()
    place = mac[-1] & 0xF
    number = int.from_bytes(mac[place : place + 4], "big") & 0x7FFFFFFF
    return f"{number % 10**digits:0{digits}d}"


def step_at(moment: datetime) -> int:
    """Give the step that holds a moment."""
    return int(moment.timestamp()) // STEP_SECONDS


def step_of(code: str, key: str, moment: datetime) -> int | None:
    """Give the step for which a code is right around a moment, None when it is wrong."""
    wanted = code.replace(" ", "")
    if len(wanted) != DIGITS or not wanted.isascii() or not wanted.isdigit():
        return None
    secret = unpack(key)
    now = step_at(moment)
    right = None
    for step in (now + around for around in _AROUND):
        if hmac.compare_digest(code_at(secret, step), wanted) and right is None:
            right = step
    return right


def new_key() -> str:
    """Draw a key, in base32 as authenticators take it."""
    return base64.b32encode(secrets.token_bytes(KEY_BYTES)).decode()


def unpack(key: str) -> bytes:
    """Give the bytes of a key; ValueError when it is none."""
    try:
        return base64.b32decode(key)
    except binascii.Error as error:
        raise ValueError("not a key of one-time codes") from error


def address_of(key: str, name: str, box: str) -> str:
    """Give the ``otpauth:`` address that an authenticator reads from a QR code."""
    label = quote(f"midwatch {box}:{name}", safe=":")
    return f"otpauth://totp/{label}?secret={key}&issuer={quote(f'midwatch {box}')}"


def fingerprint(text: str) -> str:
    """Give the SHA-256 of a secret name: of a session, of a token; only this is kept."""
    return hashlib.sha256(text.encode()).hexdigest()
