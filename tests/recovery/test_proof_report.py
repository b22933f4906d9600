from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest

from tests.recovery.test_proof_verdict import FAULT, GOOD
from tests.recovery.test_proving import curve
from watcher.recovery.proof_report import HEIGHT, WIDTH, curve_svg, report_text, round_top
from watcher.recovery.proof_verdict import outcome_of
from watcher.recovery.proving import BUCKETS, Stretch

SPACE = {"s": "http://www.w3.org/2000/svg"}


def test_the_picture_is_sound_svg_with_a_line_for_each_pass() -> None:
    root = ET.fromstring(curve_svg(GOOD, "Altair <X1> & more"))  # noqa: S314 - our own
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    lines = root.findall("s:polyline", SPACE)
    assert len(lines) == 2
    assert [("stroke-dasharray" in line.attrib) for line in lines] == [False, True]
    assert root.findtext("s:title", namespaces=SPACE) == "Altair <X1> & more"


def test_the_curve_of_a_disk_falls_to_half_and_stays_within_the_picture() -> None:
    root = ET.fromstring(curve_svg(GOOD, "x"))  # noqa: S314
    (line, _) = root.findall("s:polyline", SPACE)
    points = [tuple(map(float, p.split(","))) for p in line.attrib["points"].split()]
    assert len(points) == BUCKETS
    assert all(0 <= x <= WIDTH and 0 <= y <= HEIGHT for x, y in points)
    heights = [y for _, y in points]
    assert heights == sorted(heights)


def test_a_part_that_was_not_timed_breaks_the_line() -> None:
    gap = (*curve(1.0)[:50], Stretch(), *curve(1.0)[51:])
    root = ET.fromstring(curve_svg(replace(GOOD, read=(), write=gap), "x"))  # noqa: S314
    assert len(root.findall("s:polyline", SPACE)) == 2
    empty = curve_svg(replace(GOOD, read=(), write=()), "x")
    assert "polyline" not in empty


@pytest.mark.parametrize(
    ("highest", "top"), [(1.0, 1), (180e6, 200e6), (201e6, 500e6), (5.1e8, 1e9), (99.0, 100)]
)
def test_the_axis_ends_on_a_round_number(highest: float, top: float) -> None:
    assert round_top(highest) == top


def test_the_report_says_verdict_speed_counters_and_what_is_not_proven() -> None:
    text = report_text(GOOD, outcome_of(GOOD))
    assert "PASSED: Every sector was written" in text
    assert "MB/s at the beginning" in text
    assert "pending sectors: 0 and 0" in text
    assert "Temperature: 38 to 38 °C." in text
    assert "does not prove" not in text
    failed = replace(GOOD, faults=(FAULT,), faults_count=1, paused_seconds=90.0, before=None)
    text = report_text(failed, outcome_of(failed))
    assert "FAILED" in text
    assert "Paused for 1 min" in text
    assert "Counters before and after: not known." in text
    assert "Faults (1 place)" in text


def test_what_was_not_done_is_not_reported() -> None:
    begun = replace(GOOD, write=(), read=(), warmth=(), ended_at=None, after=(), before=())
    text = report_text(begun, outcome_of(begun))
    assert "Written:" not in text
    assert "Temperature" not in text
    assert "not ended" in text
    assert "none of those that matter" in text
