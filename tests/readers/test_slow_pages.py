"""What stands on slow pages only is known between the looks that ask for them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from tests.cli.state import standing
from tests.readers.drive_samples import NOW, ROWS, Row, answer, ata_document
from watcher.demo.box import SimBox
from watcher.demo.story import BOX, new_box
from watcher.facts.drive import DriveReading, DriveUnread, Metric, Recovery, Unread
from watcher.readers.drive_target import DriveTarget
from watcher.readers.host import Ended, Ran
from watcher.readers.slow_pages import COMMAND_FAILED, KEPT, SlowPages
from watcher.readers.smartctl import parse
from watcher.readers.survey import Looking, Surveyor
from watcher.service.desk import Desk
from watcher.store.database import open_store

NODE = "/dev/sdb"
TARGET = DriveTarget(node=NODE)
PLAIN = tuple(row for row in ROWS if row[0] not in {5, 187, 197, 198, 199})


def page(number: int, offset: int, value: int) -> dict[str, Any]:
    """Give device statistics with one valid row, as smartctl 7.3 writes them."""
    row = {"offset": offset, "value": value, "flags": {"valid": True}}
    return {"ata_device_statistics": {"pages": [{"number": number, "table": [row]}]}}


def reading(more: dict[str, Any] | None = None, rows: Sequence[Row] = PLAIN) -> DriveReading:
    document = {**ata_document(rows), **(more or {})}
    if not rows:
        del document["ata_smart_attributes"]
    found = parse(answer(document), node=NODE, observed_at=NOW)
    assert isinstance(found, DriveReading)
    return found


def asleep() -> DriveUnread:
    return DriveUnread(node=NODE, why=Unread.ASLEEP, detail="asleep", observed_at=NOW)


def shown(pages: SlowPages, one: DriveReading, *, deep: bool) -> dict[Metric, int]:
    pages.to_ask([TARGET], deep=deep)
    (found,) = pages.complete([one], [])
    return {metric: value for metric, value in found.metrics if metric in KEPT}


def test_what_a_deep_look_told_stands_until_the_next_deep_look() -> None:
    pages = SlowPages()
    told = {Metric.PENDING_SECTORS: 8}
    assert shown(pages, reading(page(3, 0x38, 8)), deep=True) == told
    assert [shown(pages, reading(), deep=False) for _ in range(3)] == [told] * 3
    assert shown(pages, reading(page(3, 0x38, 0)), deep=True) == {Metric.PENDING_SECTORS: 0}
    assert shown(pages, reading(), deep=False) == {Metric.PENDING_SECTORS: 0}
    assert shown(pages, reading(), deep=True) == {}, "the drive tells no such page any more"


def test_how_long_a_drive_tries_is_known_between_the_deep_looks() -> None:
    pages = SlowPages()
    told = replace(reading(), recovery=Recovery(limit_milliseconds=None))
    seen = []
    for one, deep in ((told, True), (reading(), False), (reading(), False), (reading(), True)):
        pages.to_ask([TARGET], deep=deep)
        (found,) = pages.complete([one], [])
        seen.append(found.recovery)
    assert seen == [told.recovery, told.recovery, told.recovery, None]


def test_what_a_quick_look_tells_itself_is_never_older() -> None:
    pages = SlowPages()
    shown(pages, reading(rows=ROWS), deep=True)
    fewer = tuple((*row[:5], 3, "3") if row[0] == 197 else row for row in ROWS)
    assert shown(pages, reading(rows=fewer), deep=False)[Metric.PENDING_SECTORS] == 3


def test_a_drive_without_its_attribute_table_looks_no_better_for_it() -> None:
    for deep in (False, True):
        pages = SlowPages()
        whole = shown(pages, reading(rows=ROWS), deep=True)
        assert whole[Metric.PENDING_SECTORS] == 16
        assert shown(pages, reading(rows=()), deep=deep) == whole


def test_a_deep_look_of_which_a_command_failed_ends_nothing() -> None:
    """smartctl(8), exit status bit 2: a log that could not be read is not an empty one."""
    pages = SlowPages()
    whole = reading(rows=ROWS)
    pages.to_ask([TARGET], deep=True)
    assert pages.complete([whole], []) == (whole,)
    poor = replace(reading(), self_tests=(), exit_status=COMMAND_FAILED)
    for deep in (True, False):
        pages.to_ask([TARGET], deep=deep)
        (found,) = pages.complete([poor], [])
        assert found.metric(Metric.PENDING_SECTORS) == 16
        assert found.self_tests == whole.self_tests
    pages.to_ask([TARGET], deep=True)
    assert pages.complete([replace(poor, exit_status=0)], []) == (replace(poor, exit_status=0),)


def test_temperatures_and_traffic_are_never_kept() -> None:
    passing = {m for m in Metric if m.value.startswith(("bytes", "through", "wait"))}
    assert KEPT.isdisjoint(passing | {Metric.TEMPERATURE_CELSIUS, Metric.POWER_ON_HOURS})


def test_a_drive_that_slept_is_asked_for_its_slow_pages_when_it_wakes() -> None:
    pages = SlowPages()
    assert pages.to_ask([TARGET], deep=True) == {NODE}
    pages.complete([], [asleep()])
    for _ in range(2):
        assert pages.to_ask([TARGET], deep=False) == {NODE}
        pages.complete([], [asleep()])
    assert pages.to_ask([TARGET], deep=False) == {NODE}
    pages.complete([reading()], [])
    assert pages.to_ask([TARGET], deep=False) == frozenset()


def test_a_drive_that_hangs_is_not_asked_for_more() -> None:
    pages = SlowPages()
    pages.to_ask([TARGET], deep=True)
    hung = DriveUnread(node=NODE, why=Unread.HUNG, detail="hangs", observed_at=NOW)
    pages.complete([], [hung])
    assert pages.to_ask([TARGET], deep=False) == frozenset()


class WithPages(SimBox):
    """A box with a drive whose pending sectors stand on a slow page only."""

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        ran = super().run(argv, limit_seconds=limit_seconds, lane=lane)
        if "-a" not in argv or argv[-1] != "/dev/sde" or ran.ended is not Ended.EXITED:
            return ran
        document = json.loads(ran.stdout)
        del document["smartctl"]["output"]
        table = document["ata_smart_attributes"]
        table["table"] = [row for row in table["table"] if row["id"] != 197]
        if "defects" in argv:
            document["ata_pending_defects_log"] = {"size": 255, "count": 40, "table": []}
        return Ran(argv=ran.argv, ended=ran.ended, status=ran.status, stdout=json.dumps(document))


def test_a_sign_that_only_a_slow_page_shows_is_not_called_over_ten_minutes_later(
    tmp_path: Path,
) -> None:
    whole = new_box()
    box = WithPages(
        name=whole.name, now=whole.now, drives=whole.drives, arrays=whole.arrays, log=whole.log
    )
    surveyor = Surveyor(box, Looking(box=BOX))
    found = []
    with open_store(tmp_path / "m.db", now=box.now) as store:
        desk = Desk(store, standing())
        for number in range(5):
            survey = surveyor.take(f"look {number}", box.now, deep=number == 0).survey
            outcome = desk.take_in(survey, box.now)
            found.append([f.rule for f in outcome.findings if f.rule == "sectors-in-doubt"])
            box.pass_time(timedelta(minutes=10))
        with store.snapshot() as tx:
            cases = [
                case
                for case in tx.load_book(BOX).cases
                if any(held.finding.rule == "sectors-in-doubt" for held in case.held)
            ]
    assert found == [["sectors-in-doubt"]] * 5
    assert [case.closed_at for case in cases] == [None]
