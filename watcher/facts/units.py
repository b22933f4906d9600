"""In a person's words: sizes, spans of time, shares; how a sentence begins, and is folded."""

from __future__ import annotations

import textwrap
from datetime import UTC, datetime, timedelta

_SIZES = ((10**15, "PB"), (10**12, "TB"), (10**9, "GB"), (10**6, "MB"), (10**3, "kB"))


def say_bytes(count: int | None) -> str:
    """Say a size in powers of ten, as drives are sold: ``8 TB``, ``1.5 TB``, ``500 GB``."""
    if count is None:
        return "size unknown"
    for unit, word in _SIZES:
        if count * 2000 >= unit * 1999:  # 999.7 GB are 1 TB, not 1000 GB
            value = count / unit
            text = f"{value:.0f}" if value >= 100 else f"{value:.1f}"
            return f"{text.removesuffix('.0')} {word}"
    return say_count(count, "byte")


def say_day(moment: datetime) -> str:
    """Say on which day a moment was, ``2026-02-01 (UTC)``: elsewhere it may be the next."""
    return f"{moment.astimezone(UTC):%Y-%m-%d} (UTC)"


def say_span(span: timedelta) -> str:
    """Say a span of time in its one or two largest units: ``2 days 3 h``, ``40 min``."""
    seconds = int(abs(span.total_seconds()))
    days, rest = divmod(seconds, 86400)
    hours, rest = divmod(rest, 3600)
    minutes, left = divmod(rest, 60)
    if days:
        word = "day" if days == 1 else "days"
        return f"{days} {word} {hours} h" if hours and days < 14 else f"{days} {word}"
    if hours:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    if minutes:
        return f"{minutes} min"
    return f"{left} s"


def say_count(count: int, one: str, many: str | None = None) -> str:
    """Say a count with its noun: ``1 drive``, ``3 drives``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def say_percent(share: float) -> str:
    """Say a share (0 to 1) so that small ones do not vanish: ``12%``, ``0.4%``, ``under 0.1%``.

    Nor is nearly all of it all: ``99.6%``, ``over 99.9%``.
    """
    percent = share * 100
    if 99 <= percent < 100:
        return f"{percent:.1f}%".replace(".0%", "%") if percent <= 99.9 else "over 99.9%"
    if percent >= 10:
        return f"{percent:.0f}%"
    if percent >= 0.1:
        return f"{percent:.1f}%".replace(".0%", "%")
    return "under 0.1%"


def say_done(share: float) -> str:
    """Say how far work is (0 to 1), rounded down, for 99.6% is not done: ``99%``, ``4.6%``."""
    tenths = int(share * 1000 + 1e-6)  # 0.29 * 1000 is 289.99…
    return f"{tenths // 10}%" if tenths >= 100 else f"{tenths / 10:.1f}%".replace(".0%", "%")


def between_words(line: str, width: int) -> str:
    """Fold a line between words only: a name or a command with dashes in it stays in one piece."""
    return textwrap.fill(line, width, break_on_hyphens=False, break_long_words=False)


def capital(clause: str) -> str:
    """Let a clause begin a sentence: its first letter is a capital, the others stay."""
    return clause[:1].upper() + clause[1:]
