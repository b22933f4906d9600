"""The true state of an invented box, and the surveys that an honest reader would make of it.

Two pools of six and two drives. The truth about margin is kept here by counting seats, on
purpose without the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from watcher.facts.drive import (
    DriveIdentity,
    DriveReading,
    DriveUnread,
    Medium,
    Metric,
    Protocol,
    Unread,
    Verdict,
)
from watcher.facts.identity import BoxId, DriveId, PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import Member, MemberState, Pool, PoolKind, RedundancySet, Work, WorkKind
from watcher.facts.survey import Blindness, Survey

BOX = BoxId("attic")
TERABYTES = 8_000_000_000_000


@dataclass
class Drive:
    """One drive as it truly is."""

    serial: str
    bay: int
    present: bool = True
    hung: bool = False
    pending: int = 0
    failing: bool = False  # condemns itself
    hours: int = 9_000

    @property
    def id(self) -> DriveId:
        return DriveId(f"A8_{self.serial}")


@dataclass
class Seat:
    """One place in a pool."""

    bay: int
    serial: str  # the drive that holds this share
    good: bool = True  # in step; False while missing, put out, or being filled
    rebuilding: float | None = None


@dataclass
class TruePool:
    """A pool as it truly is."""

    name: str
    bears: int
    seats: list[Seat]
    listed: bool = True  # False: its stack does not name it any more

    @property
    def id(self) -> PoolId:
        return PoolId(f"md:{self.name}")

    @property
    def lost(self) -> int:
        return sum(not seat.good for seat in self.seats)

    @property
    def truth(self) -> str:
        """Whole, thinned, bare or broken, by counting."""
        left = self.bears - self.lost
        if not self.listed or left < 0:
            return "broken"
        if left == 0:
            return "bare"
        return "whole" if left == self.bears else "thinned"


@dataclass
class World:
    """The box."""

    drives: dict[int, Drive] = field(default_factory=dict)  # by bay
    pools: dict[str, TruePool] = field(default_factory=dict)
    blind: set[str] = field(default_factory=set)
    stick: Unread | None = None  # in a port, of which only the path is known, and why
    surveys: int = 0
    serials: int = 0

    @classmethod
    def new(cls) -> World:
        """Six drives that bear two losses, and a mirror of two."""
        world = cls()
        for bay in range(1, 9):
            world.drives[bay] = world.new_drive(bay)
        for name, bears, bays in (("orchard", 2, range(1, 7)), ("cellar", 1, range(7, 9))):
            seats = [Seat(bay=bay, serial=world.drives[bay].serial) for bay in bays]
            world.pools[name] = TruePool(name=name, bears=bears, seats=seats)
        return world

    def new_drive(self, bay: int) -> Drive:
        self.serials += 1
        return Drive(serial=f"S{self.serials:03}", bay=bay)

    @property
    def readable(self) -> list[Drive]:
        """The drives that a look gets a reading of."""
        if "drive-discovery" in self.blind:
            return []
        return [d for d in self.drives.values() if d.present and not d.hung]

    def pool_of(self, bay: int) -> TruePool:
        """Give the pool that has a seat in this bay."""
        return next(p for p in self.pools.values() if any(s.bay == bay for s in p.seats))

    def seat(self, bay: int) -> Seat:
        return next(s for s in self.pool_of(bay).seats if s.bay == bay)

    # ------------------------------------------------------------------ what happens

    def pull(self, bay: int) -> None:
        """A drive leaves its bay."""
        self.drives[bay].present = False
        self.seat(bay).good = False
        self.seat(bay).rebuilding = None

    def push_back(self, bay: int) -> None:
        """The same drive comes back and its pool takes it as it was."""
        self.drives[bay].present = True
        seat = self.seat(bay)
        if seat.serial == self.drives[bay].serial and self.pool_of(bay).truth != "broken":
            seat.good, seat.rebuilding = True, None

    def replace(self, bay: int) -> None:
        """A new drive goes into the bay, and its pool begins to fill it."""
        drive = self.new_drive(bay)
        self.drives[bay] = drive
        seat = self.seat(bay)
        seat.serial, seat.good = drive.serial, False
        if self.pool_of(bay).truth != "broken":
            seat.rebuilding = 0.0

    def rebuild(self, name: str, share: float) -> None:
        """A rebuild moves on; at 1 it is through."""
        for seat in self.pools[name].seats:
            if seat.rebuilding is None:
                continue
            seat.rebuilding = share
            if share >= 1 and self.drives[seat.bay].present:
                seat.good, seat.rebuilding = True, None

    def made_anew(self, name: str) -> None:
        """A broken pool is restored from backup onto good drives: whole again."""
        pool = self.pools[name]
        pool.listed = True
        for seat in pool.seats:
            if not self.drives[seat.bay].present:
                self.drives[seat.bay] = self.new_drive(seat.bay)
            seat.serial = self.drives[seat.bay].serial
            seat.good, seat.rebuilding = True, None

    # ------------------------------------------------------------------ what is seen

    def state(self) -> str:
        """Write down all that a survey could show, but for what moves all the time."""
        drives = [
            (d.serial, d.bay, d.present, d.hung, d.pending, d.failing) for d in self.drives.values()
        ]
        pools = [
            (p.name, p.listed, [(s.serial, s.good, s.rebuilding is None) for s in p.seats])
            for p in self.pools.values()
        ]
        return repr((drives, pools, sorted(self.blind), self.stick))

    def look(self, now: datetime) -> Survey:
        """Take a survey: what is blind is said to be, and left out."""
        self.surveys += 1
        for drive in self.drives.values():
            drive.hours += 1
        discovery = "drive-discovery" not in self.blind
        here = [d for d in self.drives.values() if d.present] if discovery else []
        pools = [p for p in self.pools.values() if p.listed] if "md" not in self.blind else []
        sources = ("drive-discovery", "md", "kernel-log")
        return Survey(
            survey=f"look-{self.surveys}",
            box=BOX,
            taken_at=now,
            drives=tuple(_reading(d, now) for d in here if not d.hung),
            unread=(*(_unread(d, now) for d in here if d.hung), *self._stick(now)),
            pools=tuple(self._pool(p, now) for p in pools),
            blind=tuple(
                Blindness(
                    source=source,
                    why=Unread.HUNG,
                    detail=f"{source} did not answer",
                    remedy="look at it",
                )
                for source in sorted(self.blind)
            ),
            answered=tuple(s for s in sources if s not in self.blind),
        )

    def _stick(self, now: datetime) -> tuple[DriveUnread, ...]:
        """A drive behind a port that never told who it is."""
        if self.stick is None or "drive-discovery" in self.blind:
            return ()
        one = DriveUnread(
            node="/dev/sdz", device_type="usb", why=self.stick, detail="silent", observed_at=now
        )
        return (one,)

    def _pool(self, pool: TruePool, now: datetime) -> Pool:
        filling = next((s.rebuilding for s in pool.seats if s.rebuilding is not None), None)
        members = tuple(self._member(seat) for seat in pool.seats)
        return judge_pool(
            pool=pool.id,
            name=pool.name,
            kind=PoolKind.MD,
            layout="raid6" if pool.bears == 2 else "raid1",
            observed_at=now,
            tree=RedundancySet(name="seats", bears=pool.bears, parts=members),
            work=None
            if filling is None
            else Work(kind=WorkKind.REBUILD, done_fraction=round(filling, 3)),
            said="active",
            scrubbed_at=now,
        )

    def _member(self, seat: Seat) -> Member:
        drive = self.drives[seat.bay]
        there = drive.present and drive.serial == seat.serial
        state = MemberState.GOOD
        if not seat.good:
            state = MemberState.REBUILDING if seat.rebuilding is not None else MemberState.MISSING
        return Member(
            name=f"sd{chr(96 + seat.bay)}1" if there else "removed",
            state=state,
            drives=(drive.id,) if there else (),
            node=f"/dev/sd{chr(96 + seat.bay)}1" if there else None,
        )


def _identity(drive: Drive) -> DriveIdentity:
    return DriveIdentity(
        drive=drive.id,
        model="Altair A8",
        serial=drive.serial,
        capacity_bytes=TERABYTES,
        protocol=Protocol.ATA,
        medium=Medium.ROTATING,
    )


def _reading(drive: Drive, now: datetime) -> DriveReading:
    return DriveReading(
        identity=_identity(drive),
        observed_at=now,
        node=f"/dev/sd{chr(96 + drive.bay)}",
        device_type="sat",
        bay=str(drive.bay),
        verdict=Verdict.FAILING if drive.failing else Verdict.PASSED,
        metrics=(
            (Metric.POWER_ON_HOURS, drive.hours),
            (Metric.PENDING_SECTORS, drive.pending),
            (Metric.REALLOCATED_SECTORS, 0),
            (Metric.TEMPERATURE_CELSIUS, 33),
        ),
        source="invented",
    )


def _unread(drive: Drive, now: datetime) -> DriveUnread:
    return DriveUnread(
        node=f"/dev/sd{chr(96 + drive.bay)}",
        why=Unread.HUNG,
        detail="no answer in 60 s",
        observed_at=now,
        drive=drive.id,
        model="Altair A8",
        serial=drive.serial,
        capacity_bytes=TERABYTES,
        bay=str(drive.bay),
    )
