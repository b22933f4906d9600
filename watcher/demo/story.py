"""The story of the demo: an invented box goes through a failure, told as a list of scenes.

Everything is made up: the box, its owner, the drives and their makers. What the watch makes of it
is not: readers, rules, exposure, cases and messages are the real ones, on a clock that runs fast.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from watcher.cases.observations import Acknowledged, Observation, WorkAnnounced
from watcher.cases.policy import Hours, Person, Policy
from watcher.cases.state import Expectation, ExpectKind
from watcher.demo.box import SimArray, SimBox, SimSeat
from watcher.demo.drives import SimDrive
from watcher.exposure.track import INNER_TO_OUTER, speed_share, time_share, track_time
from watcher.facts.identity import BoxId, DriveId, PoolId

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)  # a Monday
OWNER = "ada"
BOX = BoxId("attic")
ORCHARD = PoolId("md:6d1dfa52:0b3c7e11:9a44c0de:51e77a01")
CELLAR_UUID = "b7a1c9d0:44f2e6a8:0c5b1d3e:7f908a2c"
LOST = DriveId("wwn-5000a1400000005e")

_REBUILD_HOURS = 13.0
_CHECK_STEP = timedelta(hours=1.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One moment of the story."""

    after: timedelta  # since the scene before
    say: str  # what happens, for the person who watches the demo
    happens: Callable[[SimBox], None]
    owner: Callable[[datetime, int], tuple[Observation, ...]] = lambda _now, _case: ()
    every: timedelta = timedelta(minutes=30)  # how often the box is looked at on the way here
    table: bool = False  # show what `midwatch look` would show
    compare: bool = False  # show what a spare on the shelf would change
    way: bool = False  # show where the recovery is, as `midwatch recovery` would
    record: bool = False  # show the written record of the recovery


def people() -> Policy:
    """The owner, who sleeps from ten to seven."""
    quiet = Hours(begin=time(22, 0), end=time(7, 0))
    return Policy(people=(Person(name=OWNER, zone="UTC", quiet=(quiet,)),))


def new_box() -> SimBox:
    """A box in an attic: six drives that bear two losses, and a mirror of two."""
    box = SimBox(name=BOX, now=START)
    makes = ("Altair A8", "Brinkmoor BX8", "Altair A8", "Calder 8", "Brinkmoor BX8", "Calder 8")
    for index, make in enumerate(makes):
        letter = chr(97 + index)
        box.drives[letter] = SimDrive(
            letter=letter,
            bay=str(index + 1),
            model=make,
            serial=f"{make[:2].upper()}{4711 + index * 37}",
            wwn=0x5000A1400000005A + index,
            capacity_bytes=8_001_563_222_016,
            hours=9_000 + 4_100 * index,
        )
    for index in (6, 7):
        letter = chr(97 + index)
        box.drives[letter] = SimDrive(
            letter=letter,
            bay=str(index + 1),
            model="Dorne D4",
            serial=f"DO{8200 + index * 91}",
            wwn=0x5000A1500000000A + index,
            capacity_bytes=4_000_787_030_016,
            hours=21_000 + 300 * index,
        )
    box.say("Linux version 6.8.0 (simulated)")
    box.arrays = [
        SimArray(
            node="md0",
            label="orchard",
            level="raid6",
            uuid=ORCHARD.removeprefix("md:"),
            member_kib=7_813_893_120,
            seats=[SimSeat(slot=i, letter=chr(97 + i), number=i) for i in range(6)],
        ),
        SimArray(
            node="md1",
            label="cellar",
            level="raid1",
            uuid=CELLAR_UUID,
            member_kib=3_906_886_464,
            seats=[SimSeat(slot=i, letter=chr(103 + i), number=i) for i in range(2)],
        ),
    ]
    return box


def _nothing(_: SimBox) -> None:
    """Let only time pass."""


def _cable(box: SimBox) -> None:
    """A loose cable at bay 2."""
    box.drives["b"].crc += 46
    box.say("ata2: SATA link down (SStatus 0 SControl 300)")
    box.say("ata2: hard resetting link")
    box.say("ata2.00: error: { ICRC ABRT }")
    box.say("ata2: SATA link up 3.0 Gbps (SStatus 123 SControl 320)")


def _frets(box: SimBox) -> None:
    """Bay 5 meets sectors that it cannot read."""
    drive = box.drives["e"]
    drive.pending += 16
    drive.uncorrectable += 4
    drive.reallocated += 8
    box.say("ata5.00: exception Emask 0x0 SAct 0x8000 SErr 0x0 action 0x0")
    box.say("ata5.00: failed command: READ FPDMA QUEUED")
    box.say("ata5.00: status: { DRDY ERR }")
    box.say("ata5.00: error: { UNC }")
    box.say("sd 4:0:0:0: [sde] tag#15 Sense Key : Medium Error [current]")
    box.say("critical medium error, dev sde, sector 9120044032 op 0x0:(READ) flags 0x0")


def _worse(box: SimBox) -> None:
    """Bay 5 gets worse."""
    _frets(box)
    box.drives["e"].pending += 40
    box.drives["e"].reallocated += 24


def _lost(box: SimBox) -> None:
    """Bay 5 drops out of the box."""
    box.pull("e")


def _wrong_pull(box: SimBox) -> None:
    """The wrong drive is pulled."""
    box.spare_hand = box.pull("d")


def _back_in(box: SimBox) -> None:
    """The wrong drive goes back in."""
    if box.spare_hand is not None:
        box.plug(box.spare_hand)
        box.spare_hand = None
        box.readd("md0", "d")


def _new_drive(box: SimBox) -> None:
    """The new drive goes in and the array takes it."""
    box.plug(
        SimDrive(
            letter="i",
            bay="5",
            model="Calder 8",
            serial="CA9903",
            wwn=0x5000A160000000C1,
            capacity_bytes=8_001_563_222_016,
            hours=3,
        )
    )
    box.add("md0", "i", 0)
    rebuild_to(box, 0.0)
    began = box.now
    box.goes_on = lambda b: rebuild_to(b, (b.now - began).total_seconds() / 3600)


def rebuild_to(box: SimBox, elapsed_hours: float) -> None:
    """Move a rebuild to where it stands after some hours, slower towards the inner tracks."""
    array = box.array("md0")
    share = min(elapsed_hours / _REBUILD_HOURS, 1.0)
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        if time_share(middle, INNER_TO_OUTER) < share:
            low = middle
        else:
            high = middle
    before = array.rebuilt_kib or 0
    array.rebuilt_kib = max(min(int(array.member_kib * low), array.member_kib - 1), before)
    outer = array.member_kib / (_REBUILD_HOURS * 3600) * track_time(1.0, INNER_TO_OUTER)
    array.rebuild_kib_per_second = max(int(outer * speed_share(low, INNER_TO_OUTER)), 1)


def _done(box: SimBox) -> None:
    """The rebuild ends well."""
    box.goes_on = None
    box.finish("md0")


def _check(box: SimBox) -> None:
    """A check of the whole array begins."""
    box.check("md0")


def _check_at(share: float) -> Callable[[SimBox], None]:
    """Let the check stand at a share of the way."""

    def happens(box: SimBox) -> None:
        array = box.array("md0")
        array.checked_kib = int(array.member_kib * share)

    return happens


def _checked(box: SimBox) -> None:
    """The check ends, and found nothing."""
    box.end_check("md0")


def _takes(hours: float, note: str) -> Callable[[datetime, int], tuple[Observation, ...]]:
    """The owner takes the case that is open."""
    return lambda now, case: (
        Acknowledged(case=case, by=OWNER, until=now + timedelta(hours=hours), note=note),
    )


def _announces(now: datetime, _case: int) -> tuple[Observation, ...]:
    """The owner announces the replacement."""
    return (
        WorkAnnounced(
            by=OWNER,
            reason="replace bay 5",
            begins=now,
            ends=now + timedelta(hours=20),
            expects=(Expectation(kind=ExpectKind.REPLACE, drive=LOST, said="replace bay 5"),),
            pool=ORCHARD,
            pool_name="orchard",
        ),
    )


SCENES: tuple[Scene, ...] = (
    Scene(
        after=timedelta(0),
        say="A box in an attic. Two pools; each block is one drive that the pool can lose.",
        happens=_nothing,
        table=True,
    ),
    Scene(
        after=timedelta(days=1, hours=13),
        say="A connection at bay 2 comes loose. The drive is fine; the cable is not.",
        happens=_cable,
    ),
    Scene(
        after=timedelta(minutes=20),
        say="ada reseats the cable and takes the case for a week: if no error comes, that was it.",
        happens=_nothing,
        owner=_takes(8 * 24, "cable reseated"),
        every=timedelta(minutes=10),
    ),
    Scene(
        after=timedelta(days=9, hours=10),
        say="Bay 5 meets sectors that it cannot read. This time it is the drive.",
        happens=_frets,
        every=timedelta(hours=2),
    ),
    Scene(
        after=timedelta(minutes=40),
        say="ada takes it until Tuesday: a drive is ordered, it arrives on Monday.",
        happens=_nothing,
        owner=_takes(96, "drive ordered, arrives Monday"),
        every=timedelta(minutes=10),
    ),
    Scene(
        after=timedelta(days=1, hours=18),
        say="In the small hours of Sunday bay 5 gets worse, and then is gone. ada sleeps: the pool "
        "can still lose a drive, so this waits until seven.",
        happens=_worse,
    ),
    Scene(after=timedelta(minutes=40), say="", happens=_lost, every=timedelta(minutes=20)),
    Scene(
        after=timedelta(hours=6),
        say="What would a proven spare on the shelf have changed?",
        happens=_nothing,
        owner=_takes(40, "drive arrives tomorrow"),
        compare=True,
    ),
    Scene(
        after=timedelta(days=1, hours=9),
        say="Monday evening: the drive is here. ada announces the work, and pulls the wrong one.",
        happens=_nothing,
        owner=_announces,
    ),
    Scene(
        after=timedelta(minutes=4),
        say="",
        happens=_wrong_pull,
        every=timedelta(minutes=2),
        way=True,
    ),
    Scene(
        after=timedelta(minutes=6),
        say="She pushes it back in. The array takes it as it was.",
        happens=_back_in,
        every=timedelta(minutes=2),
    ),
    Scene(
        after=timedelta(minutes=20),
        say="The new drive goes into bay 5, and the rebuild begins. It was announced: no message.",
        happens=_new_drive,
        every=timedelta(minutes=10),
    ),
    *(
        Scene(after=timedelta(hours=1.3), say="", happens=_nothing, table=n == 6)
        for n in range(1, 10)
    ),
    Scene(
        after=timedelta(hours=1.4),
        say="The rebuild is through: whole, not yet verified. ada starts a check.",
        happens=_done,
        every=timedelta(minutes=15),
    ),
    Scene(after=timedelta(hours=1), say="", happens=_check, every=timedelta(minutes=30)),
    *(
        Scene(after=_CHECK_STEP, say="", happens=_check_at(n / 9), every=_CHECK_STEP)
        for n in range(1, 9)
    ),
    Scene(
        after=timedelta(hours=2),
        say="The check has read everything and found nothing: whole, and proven.",
        happens=_checked,
        every=timedelta(hours=2),
        record=True,
    ),
    Scene(
        after=timedelta(days=7),
        say="A week later: nothing came back.",
        happens=_nothing,
        every=timedelta(hours=3),
    ),
)
