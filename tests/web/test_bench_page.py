"""The statement about a drive as one file to print."""

from __future__ import annotations

from datetime import UTC

from tests.store import made
from watcher.rules.tuning import UNTUNED
from watcher.service.statement import state
from watcher.web.bench_page import as_file


def test_the_file_holds_the_whole_statement_and_needs_nothing_from_anywhere() -> None:
    statement = state(
        made.reading(1, power_on_hours=100),
        None,
        origin="By hand <b>.",
        client="Harbour & Sons",
        tuning=UNTUNED,
        now=made.NOW,
    )
    text = as_file(statement, UTC).decode()
    for section in statement.sections:
        assert section.title in text
    assert "Harbour &amp; Sons" in text
    assert "By hand &lt;b&gt;." in text
    assert "/static" not in text
    assert "href" not in text
