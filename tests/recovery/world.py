"""An invented pool that tests can hurt, heal and look at, and a reader of scenarios about it.

A scenario is a text file: lines with ``#`` say why it is there; every other line does something to
the pool, lets time pass, or looks. What a look shows follows it in lines that begin with ``>``.
With ``REWRITE_SCENARIOS=1`` in the environment the ``>`` lines are written anew; only a difference
that can be explained is committed.

    pool NAME KIND LAYOUT bears N MEMBER …   six words and the members; "+" before one: parity
    after SPAN                               time passes: 10min, 3h, 2d
    MEMBER STATE [MEMBER STATE …]            failed, missing, offline, good, rebuilding, unknown
    away DRIVE … / back DRIVE …              out of the box, or in it again; members keep drives
    new DRIVE [SECTORS]                      a drive comes, that many sectors larger or smaller
    put DRIVE MEMBER STATE                   the pool has a drive in a member's place
    guilty DRIVE WORDS / clean DRIVE         what speaks against a drive
    proof DRIVE WORDS                        a burn-in or self-test that passed
    refuse DRIVE WORDS                       a burn-in that did not pass
    spare DRIVE                              a drive in the box that the owner keeps as a spare
    announce DRIVE … / announce nothing      planned replacements
    prove first / prove not / prove unknown  what the computed choice says
    work KIND SHARE [STATE] / work none      rebuild, scrub, …
    note REMARK [at-most] WORDS / note none  what the reader found odd
    errors MEMBER COUNT                      the stack's count
    scrubbed                                 a full scrub ends now
    unseen / unlisted / seen                 not readable; not in its stack's list; as usual
    blind drives / see drives                whether the drives are listed
    retire                                   the owner retires the pool
    look                                     take a survey
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from watcher.facts.drive import DriveIdentity, Medium, Protocol
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import (
    AtStake,
    Member,
    MemberState,
    Noted,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
    Role,
    Work,
    WorkKind,
    WorkState,
)
from watcher.recovery.record import Event, Recovery
from watcher.recovery.seen import Newcomer, Seen
from watcher.recovery.steps import advance, needs_recovery, open_recovery

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)  # a Monday
SECTOR = 512
SECTORS = (
    15_628_053_168  # of 512 bytes: 8 TB by the size table of drives (LBA count of IDEMA LBA1-03)
)


def identity(name: str, *, sectors: int = SECTORS) -> DriveIdentity:
    """Make an invented drive."""
    return DriveIdentity(
        drive=DriveId(name),
        model="Altair A8",
        serial=name.upper(),
        capacity_bytes=sectors * SECTOR,
        protocol=Protocol.ATA,
        medium=Medium.ROTATING,
        logical_sector_bytes=512,
        physical_sector_bytes=4096,
    )


@dataclass
class World:
    """One pool and the drives around it."""

    name: str = "orchard"
    kind: PoolKind = PoolKind.MD
    layout: str = "raid6"
    bears: int = 2
    now: datetime = START
    members: dict[str, tuple[MemberState, str | None, Role]] = field(default_factory=dict)
    sizes: dict[str, int] = field(default_factory=dict)  # sectors of every drive that was ever here
    away: set[str] = field(default_factory=set)
    past: set[str] = field(default_factory=set)
    guilt: dict[str, str] = field(default_factory=dict)
    proofs: dict[str, str] = field(default_factory=dict)
    refusals: dict[str, str] = field(default_factory=dict)
    shelf: set[str] = field(default_factory=set)
    announced: set[str] = field(default_factory=set)
    prove_first: bool | None = None
    work: Work | None = None
    notes: list[Noted] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    scrubbed_at: datetime | None = None
    sight: str = "seen"
    lists_drives: bool = True
    in_use: bool = True

    @classmethod
    def of(cls, *names: str, bears: int = 2, kind: PoolKind = PoolKind.MD) -> World:
        """A whole pool of some members, each on a drive of its own name."""
        made = cls(bears=bears, kind=kind)
        for name in names:
            made.add_member(name)
        return made

    def add_member(self, name: str, role: Role = Role.DATA) -> None:
        """Give the pool one more member, on the drive of the same name with a ``d`` before it."""
        drive = f"d-{name}"
        self.members[name] = (MemberState.GOOD, drive, role)
        self.sizes[drive] = SECTORS

    def set(self, name: str, state: MemberState) -> None:
        """Change the state of a member."""
        _, drive, role = self.members[name]
        self.members[name] = (state, drive, role)

    def put(self, drive: str, name: str, state: MemberState) -> None:
        """Put a drive into a member's place."""
        self.members[name] = (state, drive, self.members[name][2])

    @property
    def pool(self) -> Pool:
        """The pool as its stack shows it; a member whose drive is out of the box names none."""
        parts = tuple(
            Member(
                name=name,
                state=state,
                role=role,
                drives=(DriveId(drive),) if drive and drive not in self.away else (),
                errors=self.counts.get(name),
                said=state.value,
            )
            for name, (state, drive, role) in self.members.items()
        )
        notes = list(self.notes)
        if self.sight == "unseen":
            notes.append(
                Noted(remark=Remark.FEW_CHECKS, text="not told", at_most=Protection.UNKNOWN)
            )
        return judge_pool(
            pool=PoolId(f"{self.kind.value}:{self.name}"),
            name=self.name,
            kind=self.kind,
            layout=self.layout,
            observed_at=self.now,
            tree=RedundancySet(name=self.layout, bears=self.bears, parts=parts),
            at_stake=AtStake.MEMBER if self.kind is PoolKind.FILE_PARITY else AtStake.POOL,
            work=self.work,
            notes=tuple(notes),
            said="; ".join(state.value for state, _, _ in self.members.values()),
        )

    def seen(self) -> Seen:
        """Take a survey."""
        pool = None if self.sight in {"unlisted", "stack blind"} else self.pool
        present = frozenset(DriveId(d) for d in self.sizes if d not in self.away)
        known = frozenset(DriveId(d) for d in self.sizes)
        inside = {d for _, d, _ in self.members.values() if d is not None}
        people = {DriveId(d): identity(d, sectors=n) for d, n in self.sizes.items()}
        found = Seen(
            at=self.now,
            pool=pool,
            stack_answered=self.sight != "stack blind",
            drives_answered=self.lists_drives,
            present=present,
            known=known,
            past_drives=frozenset(DriveId(d) for d in self.past),
            identities=people,
            labels={d: str(d) for d in people},
            guilt={DriveId(d): words for d, words in self.guilt.items()},
            newcomers=tuple(
                Newcomer(
                    identity=people[d],
                    proof=self.proofs.get(d, ""),
                    refusal=self.refusals.get(d, ""),
                    is_spare=d in self.shelf,
                )
                for d in sorted(present - inside)
            ),
            announced=frozenset(DriveId(d) for d in self.announced),
            prove_first=self.prove_first,
            scrubbed_at=self.scrubbed_at,
            full_margin=self.bears,
            in_use=self.in_use,
        )
        if pool is not None:
            self.past |= set(pool.drives)
        return found


@dataclass
class Followed:
    """A world and the recovery that follows it."""

    world: World
    recovery: Recovery | None = None

    def look(self) -> tuple[Event, ...]:
        """Take a survey in."""
        seen = self.world.seen()
        if self.recovery is None or not self.recovery.is_open:
            if not needs_recovery(seen):
                return ()
            self.recovery, events = open_recovery(seen, seen.at)
            return events
        self.recovery, events = advance(self.recovery, seen, seen.at)
        return events


_SPAN = re.compile(r"(\d+)(min|h|d)")
_UNIT = {"min": "minutes", "h": "hours", "d": "days"}
_STATES = {state.value: state for state in MemberState}


def span_of(text: str) -> timedelta:
    """Read a span."""
    found = _SPAN.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is no span")
    return timedelta(**{_UNIT[found[2]]: int(found[1])})


class Scenario:
    """Runs the lines of a scenario."""

    def __init__(self) -> None:
        self.followed = Followed(World())

    def run(self, text: str) -> Iterator[str]:
        """Give the lines of the scenario with what each look shows behind it."""
        for line in text.splitlines():
            if line.startswith(">"):
                continue
            yield line
            words = line.split()
            if not words or words[0].startswith("#"):
                continue
            if words == ["look"]:
                yield from self.look()
            else:
                self.act(words)

    def look(self) -> Iterator[str]:
        events = self.followed.look()
        for event in events:
            yield f"> {event.what}: {event.text}"
        now = self.followed.recovery
        if now is None:
            yield "> no recovery"
            return
        kinds = ", ".join(d.kind.value for d in now.standing_detours)
        bare = now.bare_for(self.followed.world.now)
        yield f"> at {now.step.value}; bare {bare}" + (f"; {kinds}" if kinds else "")

    def act(self, words: list[str]) -> None:  # noqa: C901, PLR0912 - one line for each verb
        world, (verb, *rest) = self.followed.world, words
        match verb:
            case "pool":
                name, kind, layout, _, bears, *members = rest
                self.followed.world = world = World(
                    name=name, kind=PoolKind(kind), layout=layout, bears=int(bears)
                )
                for member in members:
                    role = Role.PARITY if member.startswith("+") else Role.DATA
                    world.add_member(member.removeprefix("+"), role)
            case "after":
                world.now += span_of(rest[0])
            case "away":
                world.away |= set(rest)
            case "back":
                world.away -= set(rest)
            case "new":
                world.sizes[rest[0]] = SECTORS + int(rest[1] if rest[1:] else 0)
            case "put":
                world.put(rest[0], rest[1], _STATES[rest[2]])
            case "guilty":
                world.guilt[rest[0]] = " ".join(rest[1:])
            case "clean":
                world.guilt.pop(rest[0], None)
            case "proof":
                world.proofs[rest[0]] = " ".join(rest[1:])
            case "refuse":
                world.refusals[rest[0]] = " ".join(rest[1:])
            case "spare":
                world.sizes[rest[0]] = SECTORS
                world.shelf.add(rest[0])
            case "announce":
                world.announced = set() if rest == ["nothing"] else set(rest)
            case "prove":
                world.prove_first = {"first": True, "not": False, "unknown": None}[rest[0]]
            case "work":
                world.work = _work(rest)
            case "note":
                self._note(rest)
            case "errors":
                world.counts[rest[0]] = int(rest[1])
            case "scrubbed":
                world.scrubbed_at = world.now
            case "unseen" | "unlisted" | "seen":
                world.sight = verb
            case "blind" | "see":
                world.lists_drives = verb == "see"
            case "retire":
                world.in_use = False
            case _ if rest and rest[0] in _STATES:
                for name, state in zip(words[::2], words[1::2], strict=True):
                    world.set(name, _STATES[state])
            case _:
                raise ValueError(f"what is {' '.join(words)!r}?")

    def _note(self, rest: list[str]) -> None:
        world = self.followed.world
        if rest == ["none"]:
            world.notes = []
            return
        remark, *text = rest
        caps = text[0].startswith("at-most-")
        cap = Protection(text.pop(0).removeprefix("at-most-")) if caps else None
        world.notes.append(Noted(remark=Remark(remark), text=" ".join(text), at_most=cap))


def _work(rest: list[str]) -> Work | None:
    if rest == ["none"]:
        return None
    state = WorkState(rest[2]) if rest[2:] else WorkState.RUNNING
    return Work(kind=WorkKind(rest[0]), state=state, done_fraction=float(rest[1]))


SCENARIOS = Path(__file__).parent / "scenarios"
