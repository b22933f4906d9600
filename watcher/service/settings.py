"""The settings of this box: one file, read once, checked completely, frozen.

``load`` gives a ``Config`` in which every default is filled in and every secret is fetched, or
raises ``ConfigError`` with all faults at once. Nothing else reads the environment. The functions
below it turn the settings into what the parts of the program take: who is told
(:func:`to_policy`), by which targets (:func:`to_targets`), what the rules compare with
(:func:`to_tuning`).
"""

from __future__ import annotations

import os
import socket
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from watcher.cases.policy import Digest, Hours, Ladder, LadderChoice, Person, Policy, Rung
from watcher.facts.identity import BoxId
from watcher.notify.secret import Secret
from watcher.notify.target import TERMINAL, Target
from watcher.rules.tuning import Compare, Override, OwnRule, Scope, SwitchedOff, Tuning
from watcher.service.errors import ConfigError, Fault
from watcher.service.settings_check import OWNER, cross_faults, shape_faults, without_faulty
from watcher.service.settings_ready import UpkeepSettings
from watcher.service.settings_secrets import with_secrets
from watcher.service.settings_shape import (
    Config,
    OwnRuleSettings,
    PersonSettings,
    ScopedSettings,
)
from watcher.service.settings_slips import whole
from watcher.service.settings_text import parse_text
from watcher.service.settings_types import HoursSettings

USUAL_SETTINGS = "/etc/midwatch/midwatch.yaml"


def usual_settings(given: str | None) -> str | None:
    """Choose the settings file: the one given, else the usual one where it is there, else none.

    One that may not even be looked for is taken: reading it then says why it cannot be used.
    """
    if given is not None:
        return given
    try:
        return USUAL_SETTINGS if Path(USUAL_SETTINGS).exists() else None
    except OSError:
        return USUAL_SETTINGS


def environment() -> Mapping[str, str]:
    """Give the environment; nothing else in the service reads it."""
    return os.environ


@dataclass(frozen=True, slots=True, kw_only=True)
class Here:
    """What the machine says of itself, for defaults."""

    host_name: str
    zone: str
    is_root: bool
    home: str


def ask_machine() -> Here:
    """Ask this machine for its name, its time zone and who we are."""
    try:
        link = str(Path("/etc/localtime").readlink())
    except OSError:
        link = ""
    _, found, zone = link.partition("zoneinfo/")
    return Here(
        host_name=socket.gethostname().split(".")[0] or "box",
        zone=zone if found else "UTC",
        is_root=os.geteuid() == 0,
        home=str(Path("~").expanduser()),
    )


def load(
    path: str | None,
    environ: Mapping[str, str],
    *,
    rules: Mapping[str, Collection[str]] | None = None,
    here: Here | None = None,
    secrets: bool = True,
    lenient: bool = False,
) -> Config:
    """Read and check a settings file; with no path, give the defaults.

    ``rules`` is the catalogue (each rule's threshold names), to check the names used. Without
    ``secrets`` nothing is fetched that only a sender needs. Where ``lenient``, what may be meant as
    it stands is no fault: a watch that ran with it must not be ended by a newer version. Raises
    ``ConfigError`` with every fault.
    """
    machine = here or ask_machine()
    if path is None:
        return _filled(Config(), environ, machine)
    try:
        text = Path(path).read_text(encoding="utf-8")
    except OSError as error:
        right = (
            "run this with sudo, for it is root's"
            if isinstance(error, PermissionError)
            else "check its name and that the user of the daemon may read it"
        )
        fault = whole(f"the file cannot be read ({error.strerror})", right, None)
        raise ConfigError(path, (fault,)) from error
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        fault = whole("a letter here is not in UTF-8", "save the file as plain text in UTF-8", line)
        raise ConfigError(path, (fault,)) from error
    return load_text(
        text, path, environ, rules=rules, here=machine, secrets=secrets, lenient=lenient
    )


def load_text(
    text: str,
    path: str,
    environ: Mapping[str, str],
    *,
    rules: Mapping[str, Collection[str]] | None = None,
    here: Here,
    secrets: bool = True,
    lenient: bool = False,
) -> Config:
    """Check the text of a settings file; ``path`` is only named in the faults."""
    parsed = parse_text(text)
    faults = list(parsed.faults)
    try:
        config = Config.model_validate(parsed.values)
    except ValidationError as error:
        faults.extend(shape_faults(error, parsed))
        rest = without_faulty(error, parsed.values)
        try:  # so that what only shows in comparison is told in the same round
            config = Config.model_validate(rest)
        except ValidationError:
            raise ConfigError(path, tuple(faults)) from None
    known = tuple(faults)
    faults.extend(f for f in cross_faults(config, parsed, rules) if not _follows(f, known))
    if secrets:
        config, missing = with_secrets(config, environ, parsed)
        faults.extend(f for f in missing if not _follows(f, known))
    if not all(lenient and fault.may_be_meant for fault in faults):
        raise ConfigError(path, tuple(faults))
    return _filled(config, environ, here)


def _follows(fault: Fault, known: tuple[Fault, ...]) -> bool:
    """Tell whether a fault only follows from another that was left out to check the rest."""
    return any(other.key.startswith(fault.key) for other in known if fault.key)


def _filled(config: Config, environ: Mapping[str, str], here: Here) -> Config:
    """Fill in what the machine knows: its name, its zone, where state is kept."""
    zone = config.zone or _known_zone(environ.get("TZ", "")) or _known_zone(here.zone) or "UTC"
    if environ.get("STATE_DIRECTORY"):  # from our units, or from one with StateDirectory=
        state = environ["STATE_DIRECTORY"].split(":")[0]
    elif here.is_root:
        state = "/var/lib/midwatch"
    else:
        state = f"{environ.get('XDG_STATE_HOME') or here.home + '/.local/state'}/midwatch"
    return config.model_copy(
        update={
            "zone": zone,
            "box_name": config.box_name or here.host_name,
            "state_directory": config.state_directory or state,
        }
    )


def _known_zone(name: str) -> str:
    """Give the name back when it is a time zone, "" otherwise."""
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return ""
    return name


def to_policy(config: Config) -> Policy:
    """Give who is told what, and when. With nobody configured there is one person, the owner."""
    zone = config.zone or "UTC"
    people = tuple(_person(person, zone) for person in config.people)
    digest = None
    if config.digest.weekdays:
        digest = Digest(
            at=config.digest.at,
            weekdays=tuple(sorted(set(config.digest.weekdays))),
            zone=config.digest.zone or zone,
        )
    return Policy(
        people=people or (Person(name=OWNER, zone=zone),),
        ladders=tuple(
            LadderChoice(
                ladder=Ladder(
                    rungs=tuple(
                        Rung(people=rung.people, wait=timedelta(minutes=rung.wait_minutes))
                        for rung in ladder.rungs
                    ),
                    repeat_first=timedelta(minutes=ladder.repeat_first_minutes),
                    repeat_longest=timedelta(minutes=ladder.repeat_longest_minutes),
                ),
                urgencies=ladder.urgencies,
                pools=ladder.pools,
                boxes=ladder.boxes,
                clients=ladder.clients,
            )
            for ladder in config.ladders
        ),
        settle=timedelta(minutes=config.cases.settle_minutes),
        gather=timedelta(seconds=config.cases.gather_seconds),
        digest=digest,
        longest_answer=timedelta(days=config.cases.longest_answer_days),
        longest_silence=timedelta(days=config.cases.longest_silence_days),
        client=config.client or "",
    )


def _person(person: PersonSettings, zone: str) -> Person:
    own_zone = person.zone or zone
    return Person(
        name=person.name,
        zone=own_zone,
        quiet=tuple(to_hours(hours) for hours in person.quiet),
        away_until=_in_utc(person.away_until, own_zone),
    )


def to_hours(hours: HoursSettings) -> Hours:
    """Give a span of the day as the case side knows it."""
    return Hours(begin=hours.begin, end=hours.end, weekdays=tuple(sorted(set(hours.weekdays))))


def _in_utc(moment: datetime | None, zone: str) -> datetime | None:
    """Give a moment in UTC; one without an offset is in the person's zone."""
    if moment is None:
        return None
    aware = moment if moment.tzinfo is not None else moment.replace(tzinfo=ZoneInfo(zone))
    return aware.astimezone(UTC)


def to_targets(config: Config) -> tuple[Target, ...]:
    """Give every target of every person. A person without one is told on the terminal."""
    people = config.people or (PersonSettings(name=OWNER),)
    targets: list[Target] = []
    for person in people:
        targets.extend(
            Target(person=person.name, name=t.name, url=t.url, urgencies=t.urgencies)
            for t in person.targets
        )
        if not person.targets:
            targets.append(
                Target(
                    person=person.name,
                    name=TERMINAL,
                    url=Secret(f"{TERMINAL}://"),
                )
            )
    return tuple(targets)


def to_tuning(config: Config) -> Tuning:
    """Give what the owner changed about the rules."""
    changes = config.rules
    return Tuning(
        overrides=(
            *_by_the_calendar(config),
            *(
                Override(rule=c.rule, threshold=c.threshold, value=c.value, where=_scope(c))
                for c in changes.thresholds
            ),
        ),
        off=tuple(SwitchedOff(rule=off.rule, where=_scope(off)) for off in changes.off),
        own=tuple(_own_rule(rule) for rule in changes.own),
    )


_SCRUB_SLACK = 35 / 30
"""A scrub is overdue a sixth of its rhythm late: 35 days at a month, as the rule ships."""


def _by_the_calendar(config: Config) -> tuple[Override, ...]:
    """Let the rules about overdue upkeep use the calendar's terms, where those were changed.

    What the owner says of a threshold itself counts before this.
    """
    shipped, wanted = UpkeepSettings(), config.upkeep
    made = []
    if wanted.scrub_every_days != shipped.scrub_every_days:
        days = round(wanted.scrub_every_days * _SCRUB_SLACK)
        made.append(Override(rule="scrub-overdue", threshold="days", value=days))
        late = Override(rule="scrub-overdue", threshold="days-late", value=3 * days)
        made.append(late)
    if wanted.self_test_every_days != shipped.self_test_every_days:
        hours = wanted.self_test_every_days * 24
        made.append(Override(rule="self-test-overdue", threshold="power-on-hours", value=hours))
    return tuple(made)


def _scope(given: ScopedSettings) -> Scope:
    return Scope(
        box=BoxId(given.box) if given.box else None,
        drive=given.drive,
        model=given.model,
        pool=given.pool,
    )


def _own_rule(rule: OwnRuleSettings) -> OwnRule:
    if rule.over is not None:
        compare, value = Compare.OVER, rule.over
    elif rule.under is not None:
        compare, value = Compare.UNDER, rule.under
    else:
        compare, value = Compare.RISES_BY, rule.rises_by or 1
    return OwnRule(
        name=rule.name,
        metric=rule.metric,
        compare=compare,
        value=value,
        within=timedelta(hours=rule.within_hours) if rule.within_hours else None,
        urgency=rule.urgency,
        sentence=rule.sentence,
        next_step=rule.next_step,
        where=_scope(rule),
    )
