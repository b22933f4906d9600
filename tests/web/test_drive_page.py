from __future__ import annotations

import csv
import io
from datetime import timedelta

from tests.web.browser import Browser, Page
from tests.web.stage import COMPARED, Stage, stage_at
from watcher.facts.drive import Metric
from watcher.facts.identity import DriveId
from watcher.store.history import PollDay
from watcher.web.charts import say_number
from watcher.web.drive_page import CHANCES, chance_chart, unseen_days

BAD = "wwn-5000a1400000005e"
GOOD = "wwn-5000a1400000005a"


def page(path: str) -> Page:
    browser = Browser(stage_at(COMPARED).site)
    browser.sign_in("lou")
    return browser.get(path)


def test_the_page_names_the_drive_its_pool_its_case_and_what_it_counts() -> None:
    text = page(f"/drive?drive={BAD}").text
    for words in (
        "Brinkmoor BX8",
        "serial BR4859",
        "orchard",
        "/case/",
        "pending sectors",
        "What the kernel said",
    ):
        assert words in text


def test_a_drive_with_no_sign_is_never_called_healthy() -> None:
    text = page(f"/drive?drive={GOOD}").text.lower()
    assert "healthy" not in text.replace("no sign is not health:", "")
    assert "three or four in ten drives fail with none" in text


def test_a_drive_that_is_gone_says_so_before_all_that_it_said_while_it_was_there() -> None:
    text = page(f"/drive?drive={BAD}").text
    assert text.index("Not there: last there") < text.index("Its own verdict")
    assert "<dt>Was at</dt>" in text
    assert "Not there" not in page(f"/drive?drive={GOOD}").text


def test_each_chart_has_a_table_and_a_download_beside_it() -> None:
    text = page(f"/drive?drive={BAD}").text
    charts = text.count('<svg class="chart"')
    assert charts >= 5
    assert text.count("As a table") == charts
    assert text.count("/drive.csv?") == charts - 1  # the chance is computed, not recorded


def test_what_stood_still_has_no_chart_but_is_named() -> None:
    text = page(f"/drive?drive={GOOD}&range=all").text
    assert "Stood still all the time" in text
    assert "<figcaption>pending sectors" not in text


def test_the_download_is_the_history_as_it_is_kept() -> None:
    stage = stage_at(COMPARED)
    browser = Browser(stage.site)
    browser.sign_in("lou")
    answer = browser.get(f"/drive.csv?drive={BAD}&metric=pending-sectors&range=all")
    table = list(csv.DictReader(io.StringIO(answer.text)))
    with stage.store.snapshot() as tx:
        now = stage.clock.now()
        kept = tx.series(DriveId(BAD), Metric.PENDING_SECTORS, now - timedelta(days=1826), now)
    assert [int(row["last"]) for row in table] == [point.last for point in kept]
    assert "attachment" in answer.header("content-disposition")
    assert browser.get(f"/drive.csv?drive={BAD}&metric=nonsense").status == 404


def test_there_is_no_drive_of_another_name() -> None:
    assert page("/drive?drive=nowhere").status == 404
    assert page("/drive").status == 404
    assert page(f"/drive?drive={BAD}&range=nonsense").status == 200


def test_the_chance_rises_when_the_signs_come_and_lies_within_its_interval() -> None:
    stage: Stage = stage_at(COMPARED)
    now = stage.clock.now()
    since = now - timedelta(days=30)
    with stage.store.snapshot() as tx:
        known = tx.drive(DriveId(BAD))
        assert known is not None
        names = [Metric(n) for n, _, _ in known.latest]
        series = {m: tx.series(DriveId(BAD), m, since, now) for m in names}
        hours = series.pop(Metric.POWER_ON_HOURS)
    chart = chance_chart(known, series, hours, since, now)
    assert chart is not None
    assert len(chart.columns) == CHANCES + 1
    assert all(c.low <= c.last <= c.high for c in chart.columns)
    assert chart.columns[-1].last > 100 * chart.columns[0].last
    browser = Browser(stage.site)
    browser.sign_in("lou")
    says = f"the band is the doubt, now {say_number(chart.columns[-1].low)} to "
    assert says in browser.get(f"/drive?drive={BAD}").text


def test_days_without_a_reading_are_told_from_days_with_one() -> None:
    stage = stage_at(COMPARED)
    now = stage.clock.now()
    with stage.store.snapshot() as tx:
        known = tx.drive(DriveId(GOOD))
    assert known is not None
    first = known.first_seen.replace(hour=0, minute=0, second=0, microsecond=0)
    day = timedelta(days=1)
    polls = [PollDay(day=first + day * n, read=3, asleep=0, failed=0) for n in (0, 1, 4)]
    found = unseen_days(polls, known, now - timedelta(days=30), first + day * 6)
    assert found == ((first + day * 2, first + day * 4), (first + day * 5, first + day * 6))
