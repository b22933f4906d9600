"""What a person sees of a survey."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from tests.cases.build import finding
from watcher.cli.show import draw_margin, say_work, show_findings, show_survey
from watcher.demo.story import BOX, new_box
from watcher.facts.identity import PoolId
from watcher.facts.pool import Protection, RedundancySet, Work, WorkKind, WorkState
from watcher.readers.discovery import ToldDrive
from watcher.readers.survey import Looking, Surveyor
from watcher.rules.view import View

AT = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("margin", "full", "drawn"),
    [
        (2, 2, "■ ■  2 of 2"),
        (1, 2, "■ □  1 of 2"),
        (0, 2, "□ □  0 of 2"),
        (0, 0, "none by design"),
        (None, 2, "?  not known"),
        (8, 9, "8 of 9"),
    ],
)
def test_margin_is_drawn_as_whole_blocks(margin: int | None, full: int | None, drawn: str) -> None:
    assert draw_margin(margin, full) == drawn


def test_work_says_when_it_ends_only_where_a_pace_is_known() -> None:
    paced = Work(
        kind=WorkKind.REBUILD,
        done_fraction=0.5,
        done_bytes=500,
        total_bytes=1000,
        rate_bytes_per_second=1,
    )
    assert "until Mon 08:08" in say_work(paced, AT, UTC)
    slow = replace(paced, done_bytes=0, total_bytes=20 * 86400)
    assert say_work(slow, AT, UTC).endswith("until Sun 22 Mar 2026")  # a weekday names one of three
    crawls = replace(paced, done_bytes=0, total_bytes=10**14)
    assert say_work(crawls, AT, UTC).endswith("at 1 byte/s")
    halted = Work(kind=WorkKind.SCRUB, state=WorkState.PAUSED)
    assert say_work(halted, AT, UTC) == "scrub is halted"


def test_a_whole_look_names_everything_and_calls_nothing_healthy() -> None:
    box = new_box()
    box.drives["a"].hangs = True
    survey = Surveyor(box, Looking(box=BOX)).take("s", box.now).survey
    text = show_survey(View(survey=survey, now=box.now), (), zone=UTC, width=100)
    for words in ("orchard", "■ ■  2 of 2", "What cannot be seen", "sda", "no sign"):
        assert words in text, words
    assert "healthy" not in text
    assert [line for line in text.splitlines() if len(line) > 130] == []


def test_findings_lead_with_how_soon() -> None:
    lines = show_findings((finding(),), 80)
    assert lines[0].strip().startswith("today")
    assert "next: look" in lines[1]


def test_the_same_trouble_of_many_drives_is_said_once() -> None:
    """Twenty-four old drives are one thing to do; two are still named in full."""
    labels = ["bay 1 (Altair A8, 8 TB, serial X1)", "Calder 8, 8 TB, serial X2 (sdb)", "pool zoo"]
    many = tuple(finding(label=label) for label in labels)
    lines = show_findings(many, 80)
    assert len(lines) == 2
    assert "So it is with 3: bay 1, sdb, pool zoo." in lines[0]
    two = show_findings(many[:2], 80)
    assert [line for line in two if "serial" in line and "holds" in line] == two[:2]
    other = finding(label="bay 9", rule="another")
    assert len(show_findings((*many, other), 80)) == 4


def _with_long_names(width: int, bays: str) -> list[str]:
    """Show a box whose drives have names and serial numbers as long as real ones."""
    box = new_box()
    told = []
    for (number, drive), bay in zip(enumerate(box.drives.values()), bays.split(","), strict=True):
        drive.model, drive.serial = "ALTAIR A8000NE-68N32N0", f"AL-WCC7K0{number}XYZ{number:04d}"
        told.append(ToldDrive(serial=drive.serial, bay=bay))
    survey = Surveyor(box, Looking(box=BOX, told=tuple(told))).take("s", box.now).survey
    text = show_survey(View(survey=survey, now=box.now), (), zone=UTC, width=width)
    return text.splitlines()


@pytest.mark.parametrize("width", [60, 80, 120])
def test_names_of_real_length_fit_every_terminal(width: int) -> None:
    lines = _with_long_names(width, "1,2,3,4,5,6,7,8")
    assert [line for line in lines if len(line) > width] == []
    assert [line for line in lines if "AL-WCC7K04XYZ0004" in line and "sde" in line] != []


def test_a_narrow_terminal_has_what_finds_a_drive_in_its_first_line() -> None:
    lines = _with_long_names(80, "1,2,3,4,5,6,7,8")
    at = lines.index("  bay 5  8 TB  AL-WCC7K04XYZ0004  sde  no sign")
    assert lines[at + 1] == "    ALTAIR A8000NE-68N32N0, 33 °C, ran 2.9 years"


def test_drives_stand_in_the_order_of_their_bays() -> None:
    lines = _with_long_names(120, "10,9,2,1,4,3,6,5")
    bays = [line.split()[1] for line in lines if line.startswith("  bay ")]
    assert bays == ["1", "2", "3", "4", "5", "6", "9", "10"]


def test_a_pool_that_lost_a_member_does_not_count_it_as_there() -> None:
    box = new_box()
    survey = Surveyor(box, Looking(box=BOX)).take("s", box.now).survey
    whole = show_survey(View(survey=survey, now=box.now), (), zone=UTC, width=100)
    assert "whole  6 members, 32 TB" in whole
    box.pull("e")
    survey = Surveyor(box, Looking(box=BOX)).take("s", box.now).survey
    lost = show_survey(View(survey=survey, now=box.now), (), zone=UTC, width=100)
    assert "thinned  5 of 6 members, 32 TB" in lost


def test_a_filesystem_on_an_encrypted_array_is_drawn_with_the_margin_of_the_array() -> None:
    box = new_box()
    survey = Surveyor(box, Looking(box=BOX)).take("s", box.now).survey
    array = next(pool for pool in survey.pools if pool.name == "cellar")
    (one, *_) = array.in_tree
    tree = RedundancySet(name="one", bears=0, parts=(replace(one, stands_on=(str(array.node),)),))
    above = replace(
        array, pool=PoolId("btrfs:files"), name="files", node="/files", tree=tree,
        protection=Protection.BARE, margin=0, full_margin=0,
    )  # fmt: skip
    survey = replace(survey, pools=(*survey.pools, above))
    shown = show_survey(View(survey=survey, now=box.now), (), zone=UTC, width=100)
    (line,) = (line for line in shown.splitlines() if line.split()[:1] == ["files"])
    assert "■  1 of 1" in line
    assert "whole" in line


def test_the_place_of_a_finding_is_said_once() -> None:
    """Where the sentence names it, it does not lead."""
    gone = replace(finding(), label="pool orchard", sentence="The pool orchard is gone.")
    assert show_findings((gone,), 80)[0].endswith("  The pool orchard is gone.")
    lead = replace(gone, sentence="It is gone.")
    assert show_findings((lead,), 80)[0].endswith("  pool orchard: It is gone.")
