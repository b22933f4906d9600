"""Sizes: a 4 TB and an 8 TB drive by the LBA counts of the industry (IDEMA LBA1-03):
``97,696,368 + 1,953,504 × (GB − 50)`` sectors of 512 bytes (from memory).
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.recovery.world import SECTOR, identity
from watcher.exposure.life import Recording
from watcher.facts.drive import Medium, Protocol
from watcher.facts.pool import Role
from watcher.recovery.fit import Fitness, Place, fits


def sectors_of(gigabytes: int) -> int:
    return 97_696_368 + 1_953_504 * (gigabytes - 50)


EIGHT = sectors_of(8000)
FOUR = sectors_of(4000)
PLACE = Place(
    drive_bytes=EIGHT * SECTOR,
    logical_sector_bytes=512,
    protocol=Protocol.ATA,
    medium=Medium.ROTATING,
)
PLAIN = Recording.CONVENTIONAL


def test_the_sizes_are_those_of_the_industry() -> None:
    """Published: 7,814,037,168 sectors for 4 TB, 15,628,053,168 for 8 TB."""
    assert (FOUR, EIGHT) == (7_814_037_168, 15_628_053_168)


def test_a_drive_of_the_same_size_fits() -> None:
    found = fits(identity("n", sectors=EIGHT), PLACE, recording=PLAIN)
    assert (found.fitness, found.problems, found.cautions) == (Fitness.FITS, (), ())
    assert found.sentence == "It fits."


@pytest.mark.parametrize(
    ("off", "fitness"), [(-1, Fitness.NO), (0, Fitness.FITS), (1, Fitness.FITS)]
)
def test_one_sector_less_does_not_fit(off: int, fitness: Fitness) -> None:
    assert fits(identity("n", sectors=EIGHT + off), PLACE, recording=PLAIN).fitness is fitness


def test_it_is_said_how_much_is_missing() -> None:
    found = fits(identity("n", sectors=EIGHT - 1), PLACE, recording=PLAIN)
    assert found.sentence == "It is 1 sector smaller than the drive it replaces."
    found = fits(identity("n", sectors=FOUR), PLACE, recording=PLAIN)
    assert found.sentence == "It is 4 TB smaller than the drive it replaces."


def test_a_drive_smaller_than_the_old_one_and_larger_than_the_member_must_be_looked_at() -> None:
    place = replace(PLACE, member_bytes=(EIGHT - 2000) * SECTOR)
    found = fits(identity("n", sectors=EIGHT - 1000), place, recording=PLAIN)
    assert found.fitness is Fitness.CHECK
    assert "made to measure" in found.sentence


def test_where_only_the_member_is_known_it_is_the_measure() -> None:
    place = replace(PLACE, drive_bytes=None, member_bytes=FOUR * SECTOR)
    assert fits(identity("n", sectors=FOUR), place, recording=PLAIN).fitness is Fitness.FITS
    assert fits(identity("n", sectors=FOUR - 1), place, recording=PLAIN).fitness is Fitness.NO


def test_a_parity_drive_is_as_large_as_the_largest_data_member() -> None:
    place = replace(
        PLACE, role=Role.PARITY, drive_bytes=FOUR * SECTOR, largest_data_bytes=EIGHT * SECTOR
    )
    assert place.needed_bytes == EIGHT * SECTOR
    assert fits(identity("n", sectors=EIGHT), place, recording=PLAIN).fitness is Fitness.FITS
    short = fits(identity("n", sectors=EIGHT - 1), place, recording=PLAIN)
    assert short.fitness is Fitness.NO
    assert "largest data member" in short.sentence


def test_a_smaller_parity_drive_will_do_when_it_is_as_large_as_the_data() -> None:
    place = replace(
        PLACE, role=Role.PARITY, drive_bytes=EIGHT * SECTOR, largest_data_bytes=FOUR * SECTOR
    )
    found = fits(identity("n", sectors=FOUR), place, recording=PLAIN)
    assert found.fitness is Fitness.CHECK


@pytest.mark.parametrize("what", ["new", "place", "parity"])
def test_a_size_that_is_not_known_is_never_a_fit(what: str) -> None:
    new, place = identity("n"), PLACE
    if what == "new":
        new = replace(new, capacity_bytes=None)
    elif what == "place":
        place = replace(place, drive_bytes=None)
    else:
        place = replace(place, role=Role.PARITY)
    assert fits(new, place, recording=PLAIN).fitness is Fitness.CHECK


@pytest.mark.parametrize(
    ("was", "now", "fitness"),
    [
        (Protocol.ATA, Protocol.ATA, Fitness.FITS),
        (Protocol.SCSI, Protocol.ATA, Fitness.FITS),  # SATA drives work in SAS bays
        (Protocol.ATA, Protocol.SCSI, Fitness.CHECK),
        (Protocol.ATA, Protocol.NVME, Fitness.NO),
        (Protocol.NVME, Protocol.ATA, Fitness.NO),
        (Protocol.ATA, Protocol.UNKNOWN, Fitness.CHECK),
        (Protocol.UNKNOWN, Protocol.ATA, Fitness.CHECK),
    ],
)
def test_the_interface_must_fit(was: Protocol, now: Protocol, fitness: Fitness) -> None:
    new = replace(identity("n"), protocol=now)
    assert fits(new, replace(PLACE, protocol=was), recording=PLAIN).fitness is fitness


@pytest.mark.parametrize(
    ("was", "now", "fitness"),
    [
        (512, 512, Fitness.FITS),  # 512e in place of 512
        (4096, 4096, Fitness.FITS),
        (4096, 512, Fitness.FITS),
        (512, 4096, Fitness.NO),  # 4Kn in place of 512
        (None, 512, Fitness.CHECK),
        (512, None, Fitness.CHECK),
    ],
)
def test_the_sector_size_must_fit(was: int | None, now: int | None, fitness: Fitness) -> None:
    new = replace(identity("n"), logical_sector_bytes=now)
    assert fits(new, replace(PLACE, logical_sector_bytes=was), recording=PLAIN).fitness is fitness


def test_a_shingled_drive_is_warned_of_when_it_says_so() -> None:
    assert "shingled" in fits(identity("n"), PLACE, recording=Recording.SHINGLED).sentence


def test_a_recording_type_that_is_not_known_is_said_for_rotating_drives_only() -> None:
    assert "Recording type not known: check" in fits(identity("n"), PLACE).sentence
    flash = replace(identity("n"), medium=Medium.FLASH)
    assert "Recording" not in fits(flash, replace(PLACE, medium=Medium.FLASH)).sentence


@given(st.integers(min_value=1, max_value=10**11), st.integers(min_value=1, max_value=10**11))
def test_nothing_smaller_than_the_drive_it_replaces_ever_fits(new: int, old: int) -> None:
    place = replace(PLACE, drive_bytes=old * SECTOR)
    found = fits(identity("n", sectors=new), place, recording=PLAIN)
    assert (found.fitness is Fitness.FITS) == (new >= old)
