"""Plays the story: the simulated box through the real readers and desk, on a fast clock."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from watcher.cli.columns import clean, fold, pad
from watcher.cli.recovery import show, show_record
from watcher.cli.show import show_survey
from watcher.demo.box import SimBox
from watcher.demo.story import BOX, ORCHARD, OWNER, SCENES, Scene, new_box, people
from watcher.exposure.figure import say_chance
from watcher.exposure.window import Spare, WindowPlan
from watcher.notify.secret import Secret
from watcher.notify.target import Target
from watcher.readers.discovery import ToldDrive
from watcher.readers.kernel_log import Position
from watcher.readers.survey import Looking, Surveyor
from watcher.recovery.advice import advise
from watcher.rules.tuning import Tuning
from watcher.service.desk import Desk, Standing, last_view
from watcher.service.prospects import exposure_of
from watcher.service.recoveries import seen_of
from watcher.store.database import Store, open_memory
from watcher.store.outbox import Notice

PHONE_WIDTH = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How the demo is shown."""

    write: Callable[[str], None]
    pause: Callable[[float], None]
    width: int


def real_pause(seconds: float) -> None:
    """Wait so that a person can read."""
    threading.Event().wait(seconds)


class Player:
    """Plays the scenes one after the other."""

    def __init__(self, pace: Pace) -> None:
        """Set the stage."""
        self.pace = pace
        self.box: SimBox = new_box()
        self.store: Store = open_memory(now=self.box.now)
        phone = Target(name="phone", person=OWNER, url=Secret("demo://phone"))
        self.desk = Desk(
            self.store,
            Standing(
                box=BOX,
                policy=people(),
                tuning=Tuning(),
                targets=(phone,),
                plan=WindowPlan(zone=UTC),
            ),
        )
        self.surveyor = Surveyor(self.box, Looking(box=BOX, told=self._bays()))
        self.position: Position | None = None
        self.looks = 0
        self.messages: list[Notice] = []

    def _bays(self) -> tuple[ToldDrive, ...]:
        """What the owner wrote down about bays."""
        known = tuple(
            ToldDrive(serial=drive.serial, bay=drive.bay) for drive in self.box.drives.values()
        )
        return (*known, ToldDrive(serial="CA9903", bay="5"))

    def play(self) -> None:
        """Play all scenes."""
        for scene in SCENES:
            self._pass_time(scene)
            self._show_scene(scene)

    def _pass_time(self, scene: Scene) -> None:
        """Let time pass to the scene, looking at the box on the way as the service would."""
        end = self.box.now + scene.after
        while self.box.now + scene.every < end:
            self.box.pass_time(scene.every)
            self._look()
        self.box.pass_time(end - self.box.now)

    def _show_scene(self, scene: Scene) -> None:
        """Let it happen, and show what comes of it."""
        if scene.say:
            stamp = f"{self.box.now:%A} {self.box.now.day} {self.box.now:%B, %H:%M}"
            self.pace.write("")
            self.pace.write(stamp)
            for line in fold(scene.say, self.pace.width):
                self.pace.write(line)
            self.pace.pause(2.0)
        scene.happens(self.box)
        self._look()
        for observation in scene.owner(self.box.now, self._open_case()):
            outcome = self.desk.hear(observation, self.box.now)
            if outcome.refused:
                self.pace.write(f"  refused: {outcome.refused}")
            self._deliver()
        if scene.table:
            self._show_table()
        if scene.way or scene.record:
            self._show_recovery(on_paper=scene.record)
        if scene.compare:
            self._compare()

    def _open_case(self) -> int:
        """Give the number of the case that needs an answer most, 0 when none does."""
        with self.store.snapshot() as tx:
            book = tx.load_book(BOX)
        return next((case.number for case in book.open_cases if not case.only_notes), 0)

    def _look(self) -> None:
        """Take a survey, hand it to the desk, and deliver."""
        self.looks += 1
        taken = self.surveyor.take(f"demo-{self.looks}", self.box.now, position=self.position)
        self.position = taken.position
        self.desk.take_in(taken.survey, self.box.now)
        self.desk.tick(self.box.now)
        self._deliver()

    def _deliver(self) -> None:
        """Show what the phone would get, and write it down as sent."""
        with self.store.transaction() as tx:
            due = tx.claim_due(self.box.now, 20, "demo")
            for notice in due:
                tx.mark_sent(notice.number, self.box.now)
        for notice in due:
            self.messages.append(notice)
            self.pace.write("")
            for line in on_phone(notice, self.pace.width):
                self.pace.write(line)
            self.pace.pause(3.0)

    def _show_table(self) -> None:
        """Show what ``midwatch look`` would show, the pools and drives only."""
        with self.store.snapshot() as tx:
            view = last_view(tx, BOX, self.box.now)
        if view is None:
            return
        text = show_survey(view, (), zone=UTC, width=self.pace.width - 4)
        self.pace.write("")
        for line in text.splitlines()[2:-2]:
            self.pace.write(f"    {line}".rstrip())
        self.pace.pause(3.0)

    def _show_recovery(self, *, on_paper: bool) -> None:
        """Show what ``midwatch recovery`` would show: the way, or the written record."""
        now = self.box.now
        with self.store.snapshot() as tx:
            view = last_view(tx, BOX, now)
            found = tx.recoveries(BOX, ORCHARD, limit=1)
            if view is None or not found:
                return
            seen = seen_of(tx, view, found[0], self.desk.standing.plan, now).seen
        width = self.pace.width - 4
        if on_paper:
            text = show_record(found[0], now, say_briefly, width)
        else:
            advice = advise(found[0], seen)
            text = show(found[0], advice, None, say=say_briefly, now=now, width=width)
            text = text.partition("\nCommands")[0].partition("\nLeave alone")[0].rstrip()
        self.pace.write("")
        for line in text.splitlines():
            self.pace.write(f"    {line}".rstrip())
        self.pace.pause(3.0)

    def _compare(self) -> None:
        """Show the window as it is, and as it would be with a proven spare on the shelf."""
        with self.store.snapshot() as tx:
            view = last_view(tx, BOX, self.box.now)
        if view is None:
            return
        pool = next(p for p in view.survey.pools if p.pool == ORCHARD)
        plan = self.desk.standing.plan
        for words, one in (
            ("as it is, with a drive to be ordered", plan),
            ("with a proven spare on the shelf", replace(plan, spare=Spare.PROVEN)),
        ):
            found = exposure_of(view, pool, one, self.box.now)
            if found.window is None or found.chance is None:
                continue
            self.pace.write(
                f"    {pad(words, 38)}whole again about {found.window.likely:%a %d %b %H:%M},"
            )
            self.pace.write(
                f"    {' ' * 38}chance of loss until then {say_chance(found.chance.likely)}"
            )
        self.pace.pause(3.0)


def say_briefly(moment: datetime) -> str:
    """Say a moment of the story."""
    return f"{moment:%a %H:%M}"


def on_phone(notice: Notice, room: int = PHONE_WIDTH + 4) -> Iterator[str]:
    """Draw a message as a phone would show it, in a room of that many columns."""
    outer = min(PHONE_WIDTH, room - 4)
    inner = outer - 4
    day = f"{notice.created_at:%a} {notice.created_at.day} {notice.created_at:%b, %H:%M}"
    head = f" {notice.person}'s phone, {day} "
    yield f"    .{head:-^{outer - 2}}."
    lines = fold(clean(notice.title), inner)
    lines.append("")
    for line in notice.body.splitlines():
        lines.extend(fold(clean(line), inner))
    for line in lines:
        yield f"    | {pad(line, inner)} |"
    yield f"    '{'-' * (outer - 2)}'"


def length_of() -> timedelta:
    """Give how much simulated time the story takes."""
    return sum((scene.after for scene in SCENES), timedelta(0))
