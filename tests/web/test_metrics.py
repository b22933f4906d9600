"""The metrics, read by another program (prometheus-client's strict OpenMetrics reader)."""

from __future__ import annotations

import pytest

from tests.store.made import NOW, pool
from tests.web.browser import Browser
from tests.web.stage import REBUILDING, stage_at
from watcher.facts.identity import BoxId
from watcher.facts.pool import MemberState
from watcher.store.accounts import ProgramToken, Role
from watcher.web.glance import Glance
from watcher.web.metrics import KIND, escape, families
from watcher.web.one_time import fingerprint

reader = pytest.importorskip(
    "prometheus_client.openmetrics.parser", reason="needs prometheus-client from the test extra"
)


def read(*glances: Glance) -> dict[str, list[tuple[dict[str, str], float]]]:
    lines = [line for f in families([(g, ()) for g in glances]) for line in f.lines()]
    text = "\n".join([*lines, "# EOF", ""])
    return {
        family.name: [(sample.labels, sample.value) for sample in family.samples]
        for family in reader.text_string_to_metric_families(text)
    }


def test_another_program_reads_the_story() -> None:
    stage = stage_at(REBUILDING)
    with stage.store.transaction() as tx:
        tx.save_token(
            ProgramToken(
                name="p", hash=fingerprint("tok"), role=Role.LOOK, made_at=stage.clock.now()
            )
        )
    page = Browser(stage.site).get("/metrics", headers={"authorization": "Bearer tok"})
    assert page.header("content-type") == KIND
    assert page.text.endswith("# EOF\n")
    found = {f.name: f for f in reader.text_string_to_metric_families(page.text)}
    margins = {s.labels["name"]: s.value for s in found["midwatch_pool_margin_drives"].samples}
    assert margins == {"orchard": 1, "cellar": 1}
    (work,) = found["midwatch_pool_work_done_ratio"].samples
    assert 0 < work.value < 1
    held = {
        s.labels["midwatch_pool_protection"]
        for s in found["midwatch_pool_protection"].samples
        if s.value and s.labels["name"] == "orchard"
    }
    assert held == {"thinned"}


def test_a_margin_that_is_not_known_has_no_sample_and_is_never_zero() -> None:
    one = pool(lost=1, bears=1, state=MemberState.UNKNOWN)
    assert one.margin is None
    found = read(Glance(box=BoxId("a"), taken_at=NOW, pools=(one,)))
    assert found["midwatch_pool_margin_drives"] == []
    protection = [
        labels["midwatch_pool_protection"]
        for labels, value in found["midwatch_pool_protection"]
        if value
    ]
    assert protection == ["unknown"]


def test_a_box_that_was_never_looked_at_has_no_moment_and_no_count_of_blind_spots() -> None:
    found = read(Glance(box=BoxId("a"), taken_at=None))
    assert found["midwatch_last_survey_timestamp_seconds"] == []
    assert found["midwatch_blind_spots"] == []


def test_any_name_is_escaped() -> None:
    assert escape('a"b\\c\nd') == 'a\\"b\\\\c\\nd'
    found = read(Glance(box=BoxId('a"b\\'), taken_at=NOW))
    ((labels, _),) = found["midwatch_blind_spots"]
    assert labels["box"] == 'a"b\\'
