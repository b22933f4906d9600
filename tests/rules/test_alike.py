"""What holds of several places is told once."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.cases.build import finding
from watcher.rules.alike import alike, place_of


def test_findings_that_say_the_same_stand_together_where_the_first_stands() -> None:
    first, other = finding(), replace(finding(), sentence="Something else.")
    again = replace(first, label="bay 9")
    assert alike([first, other, again]) == [[first, again], [other]]


@pytest.mark.parametrize(
    ("label", "place"),
    [
        ("bay 1 (Altair A8, 8 TB, serial X1)", "bay 1"),
        ("Calder 8, 8 TB, serial X2 (sdb)", "sdb"),
        ("drive at vda (275 GB)", "drive at vda"),
        ("tank", "tank"),
    ],
)
def test_a_place_has_a_short_name(label: str, place: str) -> None:
    assert place_of(label) == place
