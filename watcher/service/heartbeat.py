"""The heartbeat: calls an address of the owner's, so that somebody notices when we fall silent."""

from __future__ import annotations

import urllib.error
import urllib.request
from urllib.parse import urlsplit

TIMEOUT_SECONDS = 10.0


def beat(url: str, *, timeout_seconds: float = TIMEOUT_SECONDS) -> bool:
    """Call the address with a GET; True when it answered with a success (2xx).

    Only http and https; anything else, and every failure, gives False: the missing call is the
    message.
    """
    if urlsplit(url).scheme not in {"http", "https"}:
        return False
    request = urllib.request.Request(url, headers={"User-Agent": "midwatch"})  # noqa: S310
    try:
        with urllib.request.urlopen(request, timeout=timeout_seconds) as answer:  # noqa: S310
            status: int = answer.status
    except (OSError, ValueError):
        return False
    return 200 <= status < 300
