"""A client's month at a terminal."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.web.hub_stage import HubStage, hub_stage
from watcher.cli.exits import Exit, Stop
from watcher.cli.main import cli
from watcher.cli.month import written_month
from watcher.cli.parts import Room
from watcher.facts.identity import BoxId
from watcher.hub.month_report import report_of
from watcher.hub.protection_time import month_named
from watcher.service.clock import SystemClock
from watcher.service.settings_shape import Config
from watcher.service.state import open_state


def lines_of(stage: HubStage, client: str = "Orchard Press") -> list[str]:
    now = stage.clock.now()
    room = Room(config=Config(), store=stage.site.store, now=now)
    month = month_named("2026-03", now, room.zone)
    assert month is not None
    with stage.site.store.snapshot() as tx:
        found = report_of(tx, client, month, now, standing_of=stage.shop.clients.of)
    return list(written_month(found, room, 100))


def test_each_part_is_told_for_each_box_within_the_width_of_the_terminal() -> None:
    lines = lines_of(hub_stage())
    text = "\n".join(lines)
    assert text.startswith("Orchard Press, March 2026, so far")
    for words in (
        "Protection",
        "What happened",
        "What was done",
        "What was not seen",
        "How prepared",
    ):
        assert text.count(f"\n  {words}") == (2 if words != "How prepared" else 1), words
    assert "\n  It was given back to its owner" in text
    assert "nothing is to be done for it here" in " ".join(text.split())
    assert "not answered" in text
    assert "(it joined 15 Mar 2026" in text
    assert max(len(line) for line in lines) <= 100


def test_a_box_that_has_reported_nothing_is_told_so() -> None:
    stage = hub_stage()
    with stage.site.store.transaction() as tx:
        tx.enrol(BoxId("new"), "Orchard Press", stage.clock.now().replace(day=2), 600)
    assert any("Nothing is known about it" in line for line in lines_of(stage))


@pytest.fixture
def settings(tmp_path: Path) -> str:
    path = tmp_path / "hub.yaml"
    path.write_text(f"state_directory: {tmp_path}\nshop:\n  clients:\n    - name: Harbour\n")
    open_state(Config(state_directory=str(tmp_path)), SystemClock().now(), check=False).close()
    return str(path)


def test_the_page_is_written_into_a_file(settings: str, tmp_path: Path) -> None:
    page = tmp_path / "harbour.html"
    words = ["--config", settings, "hub", "month", "--client", "Harbour", "--page", str(page)]
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 0, done.output
    assert "No box was watched" in page.read_text()
    assert "No box was watched." in CliRunner().invoke(cli, words[:-2]).output


def test_an_unknown_client_or_month_and_a_place_that_cannot_be_written_are_told(
    settings: str, tmp_path: Path
) -> None:
    for words, status in (
        (("--client", "Nobody"), Exit.NOT_FOUND),
        (("--client", "Harbour", "--month", "soon"), Exit.WRONG_WORDS),
        (("--client", "Harbour", "--page", str(tmp_path / "no" / "x")), Exit.REFUSED),
    ):
        done = CliRunner().invoke(cli, ["--config", settings, "hub", "month", *words])
        assert isinstance(done.exception, Stop)
        assert done.exception.status is status
