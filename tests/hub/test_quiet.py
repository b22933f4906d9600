"""Is it the box, its line, or we ourselves?"""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.hub.stage import NOW
from watcher.facts.identity import BoxId, PoolId
from watcher.facts.pool import Protection
from watcher.hub.quiet import (
    finding_of_box,
    findings_of_many,
    is_quiet,
    network_of,
    sort_out,
    subjects_looked_at,
)
from watcher.store.floor import PoolStanding
from watcher.store.hub import BoxState, EnrolledBox

LEAST = timedelta(minutes=45)


def box(name: str, ago: int, address: str = "", every: int = 600) -> EnrolledBox:
    return EnrolledBox(
        box=BoxId(name),
        client="Harbour",
        state=BoxState.WATCHED,
        joined_at=NOW - timedelta(days=9),
        heard_at=NOW - timedelta(minutes=ago),
        every_seconds=every,
        address=address,
        sender="s",
        quiet_since=None,
        due_at=None,
        look_wanted=False,
    )


def test_quiet_is_longer_than_the_rhythm_of_the_box_allows() -> None:
    assert not is_quiet(box("a", 45), NOW, LEAST)
    assert is_quiet(box("a", 46), NOW, LEAST)
    assert not is_quiet(box("a", 170, every=3600), NOW, LEAST)
    assert is_quiet(box("a", 181, every=3600), NOW, LEAST)


def test_one_alone_is_a_case_of_its_own() -> None:
    found = sort_out([box("a", 60)], 100)
    assert [b.box for b in found.alone] == ["a"]
    assert finding_of_box(box("a", 60), NOW).subject.key == "a"


def test_three_of_one_network_are_one_case_about_the_line() -> None:
    found = sort_out([box(n, 60, "198.51.100.7") for n in "abc"], 100)
    assert found.alone == ()
    (line,) = findings_of_many(found, NOW)
    assert "198.51.100.7" in line.label
    assert line.level == 3


def test_half_of_all_at_once_are_one_case_about_us() -> None:
    found = sort_out([box(str(n), 60, f"198.51.100.{n}") for n in range(50)], 100)
    assert found.alone == found.lines == ()
    (us,) = findings_of_many(found, NOW)
    assert "this hub" in us.sentence


def stood(name: str, protection: str, margin: int | None = 2, full: int | None = 2) -> PoolStanding:
    return PoolStanding(
        box=BoxId("a"),
        pool=PoolId(f"md:{name}"),
        name=name,
        protection=Protection(protection),
        margin=margin,
        full_margin=full,
        last_seen=NOW,
        scrubbed_at=None,
    )


@pytest.mark.parametrize(
    ("pools", "said"),
    [
        ((), ""),
        ((stood("cellar", "whole"),), " When last heard: cellar whole."),
        (
            (stood("cellar", "whole"), stood("orchard", "thinned", 1)),
            " When last heard: orchard margin 1 of 2, cellar whole.",
        ),
        (
            (stood("cellar", "whole"), stood("orchard", "whole", 1, 1)),
            " When last heard, its 2 pools were whole.",
        ),
        (
            (stood("a", "unknown", None), stood("b", "bare", 0), stood("c", "broken", 0)),
            " When last heard: c broken, b no margin left, a not seen.",
        ),
        ((stood("a", "bare", 0, 0),), " When last heard: a built with no margin."),
        (
            (stood("a", "bare", 0), *(stood(name, "whole") for name in "bcde")),
            " When last heard: a no margin left, b whole, c whole, 2 more whole.",
        ),
        (
            tuple(stood(name, "thinned", 1) for name in "abcd"),
            " When last heard: a margin 1 of 2, b margin 1 of 2, c margin 1 of 2, 1 more.",
        ),
    ],
)
def test_a_quiet_box_says_how_its_pools_stood_the_worst_first(
    pools: tuple[PoolStanding, ...], said: str
) -> None:
    for let_in in (True, False):
        sentence = finding_of_box(box("a", 60), NOW, let_in=let_in, pools=pools).sentence
        assert f".{said} What happens on its drives" in sentence
    long = finding_of_box(box("a", 60), NOW, pools=[stood("x" * 250, "bare", 0)] * 3)
    assert len(long.sentence) < 320


def test_a_box_whose_token_was_taken_away_is_not_said_to_have_no_power() -> None:
    """It may call all the time; what would help is in the shop's hands."""
    found = finding_of_box(box("at home", 60), NOW, let_in=False)
    assert "its token was taken away" in found.sentence
    assert "power" not in found.sentence
    assert "hub invite --client" in found.next_step
    assert "--box 'at home'" in found.next_step


def test_boxes_that_fell_quiet_one_after_the_other_are_cases_of_their_own() -> None:
    found = sort_out([box(str(n), 60 + 20 * n, "198.51.100.7") for n in range(5)], 100)
    assert len(found.alone) == 5


def test_two_boxes_of_a_hub_of_two_are_no_storm() -> None:
    assert len(sort_out([box("a", 60), box("b", 60)], 2).alone) == 2


def test_networks() -> None:
    assert network_of("2001:db8:1:2::9") == network_of("2001:db8:1:2:ffff::1")
    assert network_of("127.0.0.1") == network_of("nonsense") == ""


def test_lines_that_were_told_of_are_looked_at_again() -> None:
    keys = {s.key for s in subjects_looked_at(["boxes behind x"], ())}
    assert keys == {"boxes", "boxes behind x"}


def test_an_address_of_ipv4_at_a_socket_for_both_is_a_line_of_its_own() -> None:
    """RFC 4291 section 2.5.5.2; all of them lie in one /64."""
    assert network_of("::ffff:192.0.2.7") == "192.0.2.7"
    assert network_of("::ffff:192.0.2.8") == "192.0.2.8"
    assert network_of("::ffff:127.0.0.1") == ""


def test_an_address_that_holds_on_one_wire_only_names_no_line() -> None:
    """RFC 4291 section 2.5.6, RFC 3927: the same in every house."""
    assert network_of("fe80::1%eth0") == network_of("169.254.7.7") == ""
