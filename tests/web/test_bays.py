from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.identity import DriveId
from watcher.web.bays import in_bay_order, in_order, lay_out


def laid(*bays: str) -> list[tuple[str, list[list[str]]]]:
    groups = lay_out([(bay, bay) for bay in bays])
    return [(g.name, [[bay for bay, _ in row] for row in g.rows]) for g in groups]


def test_numbers_stand_in_their_order_and_not_by_spelling() -> None:
    assert laid("10", "2", "1") == [("", [["1", "2", "10"]])]
    assert laid("bay 10", "Bay 9") == [("", [["Bay 9", "bay 10"]])]


def test_drives_are_offered_in_the_order_of_their_bays() -> None:
    offered = [(f"bay {n} (Altair A8)", DriveId(f"d{n}")) for n in (10, 2, 1)]
    assert [drive for _, drive in in_bay_order(offered)] == ["d1", "d2", "d10"]


def test_bays_whose_words_begin_alike_make_a_group() -> None:
    assert laid("rear 2", "front 1", "rear 1") == [
        ("front", [["front 1"]]),
        ("rear", [["rear 1", "rear 2"]]),
    ]
    assert laid("tray B2", "tray B10", "tray A1") == [
        ("tray", [["tray A1", "tray B2", "tray B10"]])
    ]


def test_top_and_bottom_left_and_right_make_rows_and_columns() -> None:
    assert laid("bottom right", "top left", "bottom left", "top right") == [
        ("", [["top left", "top right"], ["bottom left", "bottom right"]])
    ]
    assert laid("right", "left", "middle") == [("", [["left", "middle", "right"]])]


def test_a_bay_in_other_words_has_a_group_of_its_own() -> None:
    assert laid("under the desk", "1") == [("", [["1"]]), ("under the desk", [["under the desk"]])]
    assert laid("slot10", "slot9") == [("slot", [["slot9", "slot10"]])]


@given(bays=st.lists(st.text(min_size=1, max_size=12), max_size=12))
def test_no_bay_is_ever_lost_or_doubled(bays: list[str]) -> None:
    found = [
        inside
        for g in lay_out(list(zip(bays, range(99), strict=False)))
        for row in g.rows
        for _, inside in row
    ]
    assert sorted(found) == list(range(len(bays)))


@given(one=st.text(max_size=8), other=st.text(max_size=8))
def test_any_two_bays_can_be_put_in_order(one: str, other: str) -> None:
    assert (in_order(one) < in_order(other)) in {True, False}
