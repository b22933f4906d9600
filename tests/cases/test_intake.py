"""Findings come into the book: the record says of each what it is about."""

from __future__ import annotations

from tests.cases.build import Desk, finding
from watcher.facts.identity import DriveId, about_drive


def test_the_record_names_the_drive_of_each_finding() -> None:
    """Six drives of one pool with the same trouble make six lines that differ."""
    desk = Desk()
    desk.survey(
        *(finding(subject=about_drive(DriveId(f"D{n}")), label=f"bay {n} (8 TB)") for n in (1, 2)),
        pools=(),
    )
    assert [r.text for r in desk.records if r.what in {"opened", "finding-joined"}] == [
        "bay 1 (8 TB): sectors-in-doubt holds",
        "bay 2 (8 TB): sectors-in-doubt holds",
    ]
    desk.survey(finding(subject=about_drive(DriveId("D2")), label="bay 2 (8 TB)"))
    (cleared,) = [r.text for r in desk.records if r.what == "finding-cleared"]
    assert cleared == "bay 1 (8 TB): sectors-in-doubt holds"


def test_the_place_of_the_case_is_not_said_again() -> None:
    """Neither as the case's own name nor where the sentence has it."""
    desk = Desk()
    desk.survey(finding(pool=None))
    assert desk.records[0].text == "sectors-in-doubt holds"
