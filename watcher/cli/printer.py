"""What ``midwatch watch`` prints for the person at its terminal."""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import ExitStack
from datetime import datetime
from typing import TYPE_CHECKING

from watcher.cli.columns import columns
from watcher.cli.parts import hint_of_rights, terminal_width
from watcher.cli.say import say
from watcher.cli.show import show_survey
from watcher.cli.waiting import END, FIRST_TABLE, Mention, Waiter, Waits, terminal_waiter
from watcher.facts.drive import Unread
from watcher.facts.survey import Survey
from watcher.notify.target import Target
from watcher.rules.catalogue import judge
from watcher.service.bootstrap import zone_of
from watcher.service.desk import Outcome, view_of
from watcher.service.log import ServiceLog
from watcher.service.settings import to_tuning
from watcher.service.settings_shape import Config
from watcher.service.sight import disproved, subjects_seen
from watcher.store.database import Store
from watcher.store.errors import StoreError
from watcher.store.outbox import Notice, NoticeState

if TYPE_CHECKING:
    from watcher.readers.taken import Taken


def reached_by(targets: tuple[Target, ...]) -> str:
    """Say in a sentence how people are reached."""
    away = [target for target in targets if not target.is_terminal]
    if not away:
        return (
            "Nobody is reached away from this machine yet: messages are printed here. To get them "
            "on your phone, name a person and a way under people: in the settings (midwatch config "
            "init writes a first file)."
        )
    names = ", ".join(f"{target.person} by {target.name}" for target in away)
    return f"Messages go to: {names}."


def say_unsent(notices: Iterable[Notice], began: datetime) -> str:
    """Say in lines which messages were tried since a moment and did not leave; "" for none."""
    stuck = [
        n
        for n in notices
        if (n.state is NoticeState.GIVEN_UP and n.ended_at is not None and n.ended_at >= began)
        or (n.state in {NoticeState.WAITING, NoticeState.SENDING} and n.last_error)
    ]
    lines = [
        f"  “{n.title}” to {n.person} by {n.target.rpartition('/')[2]}: {n.last_error.rstrip('.')}"
        for n in sorted(stuck, key=lambda n: n.number)
    ]
    if not lines:
        return ""
    what = "A message" if len(lines) == 1 else f"{len(lines)} messages"
    head = f"{what} could not leave. What waits is tried again while midwatch watch runs."
    return "\n".join((head, *lines))


class Printer:
    """Prints what a person at the terminal wants to see: the first look in full, then changes."""

    def __init__(
        self, config: Config, store: Store, *, stays: bool = True, looks_here: bool = True
    ) -> None:
        """Begin with nothing seen; ``stays`` says whether other looks follow the first.

        ``looks_here`` says whether this process looks, and not a reader with other rights.
        """
        self._config = config
        self._store = store
        self._stays = stays
        self._looks_here = looks_here
        self.waiter: Waiter | None = None  # through whom the first look is waited for
        self._before: dict[str, str] | None = None

    def line(self, text: str) -> None:
        """Print a line at once."""
        say(text)

    def early(self, taken: Taken) -> None:
        """Print what the first look knows while some drives are silent."""
        survey = taken.survey
        try:
            with self._store.snapshot() as tx:
                view = view_of(tx, survey, survey.taken_at)
        except StoreError:
            return  # the watch itself says what is wrong with its store
        findings = judge(view, to_tuning(self._config))
        zone = zone_of(self._config)
        table = show_survey(view, findings, zone=zone, width=terminal_width())
        self.line(f"{FIRST_TABLE}\n{table}\n")

    def surveyed(self, survey: Survey, outcome: Outcome) -> None:
        """Print the first survey in full; later ones in a line, when something changed."""
        now = {f.key: f"{f.label}: {f.sentence}" for f in outcome.findings}
        zone = zone_of(self._config)
        if self._before is None:
            with self._store.snapshot() as tx:
                view = view_of(tx, survey, survey.taken_at)
            ending = self.waiter.ending() if self.waiter is not None else ""
            if ending:
                self.line(ending)
            self.line(show_survey(view, outcome.findings, zone=zone, width=terminal_width()))
            hint = hint_of_rights(survey, os.geteuid()) if self._looks_here else ""
            if hint:
                self.line(f"\n{hint}")
            blind = [u for u in survey.unread if u.why is Unread.NO_SMART]
            if blind and not survey.drives:
                self.line(
                    "\nNo drive here reports SMART, so the drives themselves cannot be watched; "
                    "pools and kernel log are. To see what midwatch does on a box with real "
                    "drives: midwatch demo"
                )
            if self._stays:
                self.line(
                    f"\nWatching. The next look is in {self._config.survey.every_minutes} min; "
                    "stop with Ctrl-C. Elsewhere: midwatch cases"
                )
        else:
            stamp = f"{survey.taken_at.astimezone(zone):%H:%M}"
            fresh = [[stamp, "new", text] for key, text in now.items() if key not in self._before]
            seen = {str(subject) for subject in subjects_seen(survey)}
            over = disproved(survey)
            gone = [
                [
                    stamp,
                    "holds no more" if key.partition("/")[2] in seen or key in over else "not seen",
                    text,
                ]
                for key, text in self._before.items()
                if key not in now
            ]
            if fresh or gone:
                table = columns([*fresh, *gone], total=terminal_width(), indent="")
                self.line("\n".join(table))
        self._before = now


def waits_first(printer: Printer | ServiceLog, beside: ExitStack) -> Waits:
    """Give who waits for the first look: a person at a terminal, or whoever reads the journal."""
    waiter = None
    if isinstance(printer, Printer):
        waiter = printer.waiter = terminal_waiter(printer.early, for_programs=False, way_out=END)
    if waiter is None:
        return Mention(printer.line)
    beside.callback(waiter.over)
    return waiter
