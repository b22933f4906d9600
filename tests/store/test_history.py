import pytest

from tests.store.conftest import Anew
from tests.store.made import BOX, DAY, HOUR, NOW, drive_id, reading, survey
from watcher.facts.drive import Metric
from watcher.facts.identity import DriveId
from watcher.store.database import Store


@pytest.fixture
def store(anew: Anew) -> Store:
    store = anew()
    drives = (
        reading(1, bay="3", node="/dev/sda"),
        reading(2, bay="top left", node="/dev/sdb"),
        reading(31, bay="bay 13", node="/dev/nvme0n1"),
    )
    with store.transaction() as tx:
        tx.take_survey(survey("s", drives=drives), NOW)
    return store


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("Altair_A8_X0001", (1,)),
        ("altair_a8_x0001", (1,)),
        ("X0002", (2,)),
        ("3", (1,)),
        ("bay 3", (1,)),
        ("Top Left", (2,)),
        ("13", (31,)),
        ("sda", (1,)),
        ("/dev/nvme0n1", (31,)),
        ("0031", (31,)),
        ("Altair", (1, 2, 31)),
        ("031", ()),
        ("sdq", ()),
        ("  ", ()),
    ],
)
def test_a_drive_is_found_by_what_a_person_types(
    store: Store, text: str, found: tuple[int, ...]
) -> None:
    with store.snapshot() as tx:
        assert tuple(d.identity.drive for d in tx.find_drive(text, BOX)) == tuple(
            drive_id(number) for number in found
        )


def test_the_node_of_a_retired_drive_finds_only_the_one_that_took_its_place(store: Store) -> None:
    with store.transaction() as tx:
        tx.retire_drive(drive_id(1))
        later = NOW + DAY
        new = reading(5, later, node="/dev/sda")
        tx.take_survey(survey("s2", later, drives=(new,)), later)
        assert [d.identity.drive for d in tx.find_drive("sda")] == [drive_id(5)]


def test_the_inventory_knows_the_latest_values(store: Store) -> None:
    with store.transaction() as tx:
        drives = (reading(1, NOW + HOUR, pending_sectors=8),)
        tx.take_survey(survey("s2", NOW + HOUR, drives=drives), NOW)
        known = tx.drive(drive_id(1))
        assert known is not None
        assert known.latest == (("pending-sectors", 8, NOW + HOUR),)
        assert len(tx.drives()) == 3
        assert tx.drive(DriveId("nobody")) is None


def test_a_chart_of_a_counter_begins_with_what_held_at_its_left_edge(store: Store) -> None:
    with store.transaction() as tx:
        for hour, value in ((1, 0), (5, 8), (9, 9)):
            at = NOW + hour * HOUR
            drives = (reading(1, at, pending_sectors=value),)
            tx.take_survey(survey(f"s{hour}", at, drives=drives), at)
        chart = tx.series(drive_id(1), Metric.PENDING_SECTORS, NOW + 3 * HOUR, NOW + 7 * HOUR)
        assert [((p.at - NOW) / HOUR, p.last) for p in chart] == [(3, 0), (5, 8)]
        edge = tx.series(drive_id(1), Metric.PENDING_SECTORS, NOW + 5 * HOUR, NOW + 7 * HOUR)
        assert [((p.at - NOW) / HOUR, p.last) for p in edge] == [(5, 8)]
        early = tx.series(drive_id(1), Metric.PENDING_SECTORS, NOW - DAY, NOW + 2 * HOUR)
        assert [((p.at - NOW) / HOUR, p.last) for p in early] == [(1, 0)]


def test_a_stranger_has_no_history(store: Store) -> None:
    nobody = DriveId("nobody")
    with store.snapshot() as tx:
        assert tx.series(nobody, Metric.PENDING_SECTORS, NOW, NOW + DAY) == ()
        assert tx.poll_days(nobody, NOW, NOW + DAY) == ()
        assert tx.answers(nobody) == ()
