"""The id that a message carries, so that a receiver can see a repeat."""

from __future__ import annotations

import hashlib

LENGTH = 16
"""Hexadecimal digits, 64 bits: among a million messages, two alike with a chance of 3 in 10^8
(birthday bound n²/2^65)."""


def message_id_of(key: str, target: str) -> str:
    """Give the id of a message to a target: the same for the same message, however often sent."""
    digest = hashlib.sha256(f"{key}\x00{target}".encode())
    return digest.hexdigest()[:LENGTH]
