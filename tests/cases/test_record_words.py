"""The lines of a record have names that a person understands."""

from __future__ import annotations

import re
from pathlib import Path

from watcher.cases.record_words import RECORD_WORDS, say_record

ROOT = Path(__file__).resolve().parents[2]


def test_every_step_of_a_recovery_has_words() -> None:
    """Each kind that the recovery writes into a case's record, read from its sources."""
    written = {
        kind
        for path in (ROOT / "watcher" / "recovery").glob("*.py")
        for kind in re.findall(r'what="(recovery-[a-z-]+)"', path.read_text(encoding="utf-8"))
    }
    assert len(written) >= 9
    assert written - RECORD_WORDS.keys() == set()


def test_what_has_no_words_is_said_by_its_name() -> None:
    assert say_record("clock-set-back") == "clock set back"
    assert say_record("told-reminder") == "told"
    assert say_record("answer-broken") == "taken, but got worse"
    assert say_record("all-clear") == "all clear"
    assert say_record("came-back") == "came back"


def test_no_words_are_kept_for_what_nobody_writes() -> None:
    sources = "".join(
        path.read_text(encoding="utf-8")
        for path in (ROOT / "watcher").rglob("*.py")
        if path.name != "record_words.py"
    )
    assert [what for what in RECORD_WORDS if f'"{what}"' not in sources] == []
