"""What a message carries so that a receiver sees a repeat, and what belongs together."""

from __future__ import annotations

import hashlib
import re

LENGTH = 16
"""Hexadecimal digits, 64 bits: among a million messages, two alike with a chance of 3 in 10^8
(birthday bound n²/2^65)."""


def message_id_of(key: str, target: str) -> str:
    """Give the id of a message to a target: the same for the same message, however often sent."""
    digest = hashlib.sha256(f"{key}\x00{target}".encode())
    return digest.hexdigest()[:LENGTH]


_OF_ONE_CASE = re.compile(r"(?P<box>.*)/[^/]*/(?P<case>\d+)\.\d+", re.DOTALL)
"""The key of a message about one case (``cases/leaving.py``): box, person, case and word."""


def thread_of(key: str) -> str:
    """Give the id of the case that a message is about; "" when it is about none, or several.

    All that is said about a case has the same, so that a mail program shows it as one talk.
    """
    found = _OF_ONE_CASE.fullmatch(key)
    if found is None:
        return ""
    digest = hashlib.sha256(f"{found['box']}\x00{found['case']}".encode())
    return digest.hexdigest()[:LENGTH]
