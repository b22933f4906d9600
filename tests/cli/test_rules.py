"""The catalogue, for people."""

from __future__ import annotations

import pytest

from tests.cli.state import command
from watcher.cli.exits import Exit
from watcher.rules.catalogue import CATALOGUE


def test_every_rule_is_listed() -> None:
    status, text = command(None, "rules")
    assert status == 0
    assert [name for name in CATALOGUE if name not in text] == []


def test_a_rule_is_explained_with_its_sources() -> None:
    status, text = command(None, "rule", "sectors-in-doubt")
    assert status == 0
    for words in ("threshold", "from:", "what to do", "quiet when", "source"):
        assert words in text, words


def test_an_unknown_rule_is_not_found() -> None:
    assert command(None, "rule", "no-such-rule")[0] == Exit.NOT_FOUND
    assert "Did you mean sectors-in-doubt?" in command(None, "rule", "Sectors in dout")[1]


@pytest.mark.parametrize("name", sorted(CATALOGUE))
def test_an_explained_rule_fits_a_narrow_terminal(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And loses no word by it."""
    monkeypatch.setenv("COLUMNS", "80")
    _, text = command(None, "rule", name)
    assert [line for line in text.splitlines() if len(line) > 80] == []
    assert CATALOGUE[name].what_to_do in " ".join(text.split())
