"""The work list at a terminal."""

from __future__ import annotations

from datetime import timedelta

from tests.web.hub_stage import HubStage, hub_stage
from watcher.cli.parts import Room
from watcher.cli.work import written
from watcher.facts.identity import BoxId
from watcher.service.settings_shape import Config
from watcher.web.work_list import Kept, gather


def lines_of(stage: HubStage, width: int = 100) -> list[str]:
    now = stage.clock.now()
    with stage.site.store.snapshot() as tx:
        found = gather(stage.site, tx, now, kept=Kept())
    return list(written(found, Room(config=Config(), store=stage.site.store, now=now), width))


def test_all_four_parts_are_there_and_no_line_is_wider_than_the_terminal() -> None:
    lines = lines_of(hub_stage())
    heads = [line for line in lines if line and not line.startswith(" ")]
    assert [head.partition(",")[0].partition(" ")[0] for head in heads] == [
        "Cases", "Drives", "Not", "Falls",
    ]  # fmt: skip
    assert any("barn of Orchard Press" in line and "loss 1 in" in line for line in lines)
    assert any(line.startswith("  Gone: ") for line in lines)
    assert all(len(line) <= 100 for line in lines), [x for x in lines if len(x) > 100]


def test_what_is_not_seen_is_told_and_nothing_open_is_no_proof_of_health() -> None:
    stage = hub_stage()
    stage.pass_time(timedelta(hours=3))
    with stage.site.store.transaction() as tx:
        tx.enrol(BoxId("new"), "Orchard Press", stage.clock.now(), 600)
    text = "\n".join(lines_of(stage))
    assert "Not heard from: press of Harbour Print Room" in text
    assert "Never heard of: new of Orchard Press" in text


def test_an_empty_hub_says_so_in_every_part() -> None:
    stage = hub_stage()
    with stage.site.store.transaction() as tx:
        tx.db.change("DELETE FROM enrolled_box")
    text = "\n".join(lines_of(stage))
    assert "no proof of health" in text
    assert "No drive was looked at yet" in text
    assert "No box lacks anything that can be judged" in text
    assert "Nothing that we know of." in text
