"""Times as people write them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.cli.parts import parse_span, parse_until

VIENNA = ZoneInfo("Europe/Vienna")
NOW = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)  # a Wednesday, 15:00 in Vienna


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("3h", timedelta(hours=3)),
        ("90min", timedelta(minutes=90)),
        ("90m", timedelta(minutes=90)),
        ("1d12h", timedelta(hours=36)),
        ("2w", timedelta(weeks=2)),
        ("1.5 h", timedelta(minutes=90)),
    ],
)
def test_spans(text: str, span: timedelta) -> None:
    assert parse_span(text) == span


@pytest.mark.parametrize("text", ["", "h", "3", "3x", "3h later", "1e9h", "P", "PT"])
def test_what_is_no_span(text: str) -> None:
    assert parse_span(text) is None


@pytest.mark.parametrize(
    ("text", "local"),
    [
        ("3h", "2026-11-25 18:00"),
        ("18:30", "2026-11-25 18:30"),
        ("07:30", "2026-11-26 07:30"),
        ("fri", "2026-11-27 18:00"),
        ("Friday 08:00", "2026-11-27 08:00"),
        ("wed 12:00", "2026-12-02 12:00"),
        ("wed 16:00", "2026-11-25 16:00"),
        ("2026-12-01", "2026-12-01 18:00"),
        ("2026-12-01 09:15", "2026-12-01 09:15"),
    ],
)
def test_until_when(text: str, local: str) -> None:
    moment = parse_until(text, NOW, VIENNA)
    assert moment is not None
    assert f"{moment.astimezone(VIENNA):%Y-%m-%d %H:%M}" == local


@pytest.mark.parametrize(
    "text", ["", "soon", "25:00", "0h", "2020-01-01", "fri 99:00", "2026-13-01"]
)
def test_what_is_no_time_ahead(text: str) -> None:
    assert parse_until(text, NOW, VIENNA) is None


@given(st.text(max_size=30))
def test_any_text_is_a_time_ahead_or_none(text: str) -> None:
    moment = parse_until(text, NOW, VIENNA)
    assert moment is None or moment > NOW
