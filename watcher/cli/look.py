"""``midwatch look``: one survey now, for a person or for a program."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from watcher.cli.elsewhere import survey_from
from watcher.cli.exits import Exit
from watcher.cli.parts import hint_of_rights, settings_of, terminal_width
from watcher.cli.say import say
from watcher.cli.show import show_survey
from watcher.cli.waiting import FIRST_TABLE, Waiter, terminal_waiter
from watcher.facts.drive import Unread
from watcher.facts.finding import Finding, Urgency
from watcher.facts.pool import Pool, Protection
from watcher.facts.standing import as_borne
from watcher.facts.survey import Survey
from watcher.readers.taken import Taken
from watcher.rules.catalogue import judge
from watcher.rules.view import View
from watcher.service.bootstrap import surveyor_here, zone_of
from watcher.service.clock import SystemClock
from watcher.service.desk import first_view_of, view_of
from watcher.service.opened import open_for_command
from watcher.service.settings import to_tuning
from watcher.service.settings_shape import Config
from watcher.service.state import has_state
from watcher.store.errors import StoreError


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What one look found."""

    view: View
    findings: tuple[Finding, ...]
    doubt: str = ""  # why the past could not be used, a sentence
    origin: str = ""  # where it is from, a sentence, when it is not this box
    partial: bool = False  # not all of a box was there to be looked at


def look_now(
    config: Config,
    *,
    deep: bool = False,
    waits: Callable[[Callable[[Taken], Looked]], Waiter | None] | None = None,
) -> Looked:
    """Survey this box, and judge it with what history knows. Nothing is written.

    ``waits`` gives who waits for silent drives; it gets the way to judge what was seen so far.
    """
    now = SystemClock().now()
    surveyor = surveyor_here(config)
    doubt = ""
    with ExitStack() as stack:
        tx = None
        if has_state(config):
            try:
                opened = open_for_command(config, now)
                doubt = opened.remark
                tx = stack.enter_context(stack.enter_context(opened.store).snapshot())
            except (StoreError, OSError) as error:
                doubt = f"What was seen before could not be read, so nothing is compared: {error}."
        if tx is not None:
            last = tx.last_survey(surveyor.looking.box)
            surveyor.remember(last.pools if last is not None else ())

        def judged(taken: Taken) -> Looked:
            seen = taken.survey
            view = view_of(tx, seen, now) if tx is not None else first_view_of(seen, now)
            return Looked(view=view, findings=judge(view, to_tuning(config)), doubt=doubt)

        waiter = waits(judged) if waits is not None else None
        if waiter is not None:
            stack.enter_context(waiter.listening())
        return judged(surveyor.take("look", now, deep=deep, patience=waiter))


def look_from(config: Config, path: Path, *, deep: bool = False) -> Looked:
    """Look at a box that is not here: a collected one, or a folder of reports. It has no past."""
    there = survey_from(path, deep=deep)
    view = first_view_of(there.survey, there.survey.taken_at)
    findings = judge(view, to_tuning(config))
    return Looked(view=view, findings=findings, origin=there.origin, partial=there.partial)


def status_of(survey: Survey, findings: tuple[Finding, ...]) -> Exit:
    """Give the exit status: does somebody have to act, can something not be seen, or neither?"""
    if any(finding.urgency > Urgency.NOTE for finding in findings):
        return Exit.ACT
    hidden = any(unread.why is not Unread.ASLEEP for unread in survey.unread)
    unknown = any(pool.protection is Protection.UNKNOWN for pool in survey.pools)
    return Exit.BLIND if hidden or unknown or survey.blind else Exit.DONE


def pool_as_json(pool: Pool) -> dict[str, Any]:
    """Give a pool for programs."""
    work = pool.work
    return {
        "id": pool.pool,
        "name": pool.name,
        "kind": pool.kind.value,
        "layout": pool.layout,
        "protection": pool.protection.value,
        "margin": pool.margin,
        "full_margin": pool.full_margin,
        "at_stake": pool.at_stake.value,
        "members": [
            {
                "name": member.name,
                "state": member.state.value,
                "role": member.role.value,
                "drives": list(member.drives),
            }
            for member in pool.members
        ],
        "work": None
        if work is None
        else {
            "kind": work.kind.value,
            "state": work.state.value,
            "done_fraction": work.done_fraction,
            "rate_bytes_per_second": work.rate_bytes_per_second,
        },
        "notes": [{"remark": note.remark.value, "text": note.text} for note in pool.notes],
    }


def as_json(looked: Looked) -> dict[str, Any]:
    """Give a whole look for programs."""
    survey = looked.view.survey
    return {
        "box": survey.box,
        "taken_at": survey.taken_at.isoformat(),
        "pools": [pool_as_json(as_borne(pool, survey.pools)) for pool in survey.pools],
        "drives": [
            {
                "id": r.identity.drive,
                "model": r.identity.model,
                "serial": r.identity.serial,
                "capacity_bytes": r.identity.capacity_bytes,
                "node": r.node,
                "bay": looked.view.bay_of(r.identity.drive),
                "verdict": r.verdict.value,
                "metrics": {metric.value: value for metric, value in r.metrics},
                "doubts": list(r.doubts),
            }
            for r in survey.drives
        ],
        "unread": [
            {
                "id": u.drive,
                "node": u.node,
                "why": u.why.value,
                "detail": u.detail,
                "model": u.model,
                "serial": u.serial,
            }
            for u in survey.unread
        ],
        "blind": [
            {"source": b.source, "why": b.why.value, "detail": b.detail, "remedy": b.remedy}
            for b in survey.blind
        ],
        "doubts": list(survey.doubts),
        "events": [
            {
                "at": e.at.isoformat(),
                "category": e.category.value,
                "what": e.what,
                "device": e.device,
                "subject": str(e.subject) if e.subject else None,
                "count": e.count,
            }
            for e in survey.events
        ],
        "findings": [
            {
                "rule": f.rule,
                "subject": str(f.subject),
                "label": f.label,
                "urgency": f.urgency.value,
                "sentence": f.sentence,
                "next_step": f.next_step,
                "evidence": {e.what: e.value for e in f.evidence},
            }
            for f in looked.findings
        ],
    }


@click.command()
@click.option("--json", "for_programs", is_flag=True, help="Write one JSON object for programs.")
@click.option("--deep", is_flag=True, help="Also ask drives for their slow pages (seconds each).")
@click.option(
    "--from",
    "source",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Look at another box: a file of midwatch collect, or a folder of saved smartctl reports.",
)
@click.pass_context
def look(context: click.Context, *, for_programs: bool, deep: bool, source: Path | None) -> int:
    """Look at everything once and say what there is, what cannot be seen, and what to do.

    Nothing is written and nobody is told. Sleeping drives are left asleep. A drive that does not
    answer is waited for, for a minute at most; at a terminal all the rest is shown meanwhile, and
    Ctrl-C goes on without it. The exit status is 0
    when all was seen and nothing needs you, 10 when somebody must act, 11 when something cannot
    be seen.
    """
    config = settings_of(context)
    waiter: Waiter | None = None

    def waits(judged: Callable[[Taken], Looked]) -> Waiter | None:
        nonlocal waiter
        waiter = terminal_waiter(
            lambda taken: say(f"{FIRST_TABLE}\n{_table(judged(taken), config)}\n"),
            for_programs=for_programs,
        )
        return waiter

    looked = (
        look_from(config, source, deep=deep) if source else look_now(config, deep=deep, waits=waits)
    )
    if for_programs:
        click.echo(json.dumps(as_json(looked), indent=2))
    else:
        _show(looked, config, waiter)
    status = status_of(looked.view.survey, looked.findings)
    return int(Exit.BLIND if status is Exit.DONE and looked.partial else status)


def _table(looked: Looked, config: Config) -> str:
    return show_survey(looked.view, looked.findings, zone=zone_of(config), width=terminal_width())


def _show(looked: Looked, config: Config, waiter: Waiter | None) -> None:
    """Show a look to a person, who may have seen most of it while drives were silent."""
    if looked.origin:
        say(f"{looked.origin}\n")
    ending = waiter.ending() if waiter is not None else ""
    if ending:
        say(ending)
    if waiter is None or not (waiter.shown and waiter.enough):
        say(_table(looked, config))
    hint = "" if looked.origin else hint_of_rights(looked.view.survey, os.geteuid())
    for line in filter(None, (looked.doubt, hint)):
        say(f"\n{line}")
