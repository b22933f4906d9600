"""``midwatch replay FILE…``: what would have been told of recorded drives, and when."""

from __future__ import annotations

import heapq
import json
from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import chain
from pathlib import Path

import click

from watcher.cli.columns import columns
from watcher.cli.elsewhere import sentence_of
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import settings_of, terminal_width
from watcher.cli.say import say
from watcher.cli.show import URGENCY_WORDS
from watcher.facts.finding import Urgency
from watcher.facts.recorded_day import RecordedDay
from watcher.facts.units import say_count, say_percent
from watcher.readers import saved_reports
from watcher.readers.errors import ReadError
from watcher.readers.recorded_days import read_days
from watcher.readers.saved_reports import Refused, SavedReports
from watcher.rules.replay import DriveStory, replay_readings
from watcher.rules.replay import replay as replay_days
from watcher.rules.tuning import Tuning
from watcher.service.settings import to_tuning

REFUSED_SHOWN = 10


def is_reports(path: Path) -> bool:
    """Tell whether a path holds saved reports: a folder, or a text that smartctl printed."""
    if path.is_dir():
        return True
    try:
        with path.open("rb") as file:
            return file.read(9) == b"smartctl "
    except OSError:
        return False  # the reader of days says why


def days_of(paths: Iterable[Path]) -> Iterator[RecordedDay]:
    """Give the days of all files in order of time."""
    files = [read_days(path) for path in paths]
    return files[0] if len(files) == 1 else heapq.merge(*files, key=lambda day: day.at)


def stories_of(
    paths: tuple[Path, ...], tuning: Tuning
) -> tuple[Iterator[DriveStory], tuple[Refused, ...]]:
    """Run all that is recorded through the rules; gives the drives, and reports that are refused.

    Raises ReadError, also later, while the stories are taken.
    """
    reports: list[SavedReports] = []
    tables: list[Path] = []
    for path in paths:
        if is_reports(path):
            reports.append(saved_reports.read(path))
        else:
            tables.append(path)
    stories: Iterator[DriveStory] = iter(())
    if reports:
        readings = [reading for found in reports for reading in found.readings]
        stories = replay_readings(readings, tuning)
    if tables:
        stories = chain(replay_days(days_of(tables), tuning), stories)
    return stories, tuple(refused for found in reports for refused in found.refused)


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--json", "for_programs", is_flag=True, help="One JSON object for each drive.")
@click.option("--notes", is_flag=True, help="Also list what nobody would have been told at once.")
@click.pass_context
def replay(
    context: click.Context, files: tuple[Path, ...], *, for_programs: bool, notes: bool
) -> None:
    """Say what would have been told of recorded drives, and when.

    FILE is a daily record of many drives (CSV, also packed with gzip, or Parquet: the columns date,
    serial, model, capacity_bytes, smart_N_raw and smart_N_normalized), or a folder of saved reports
    (what smartctl -x printed). The rules are those of the settings. A record knows no pools and no
    kernel log, so only the rules about single drives speak.
    """
    tuning = to_tuning(settings_of(context))
    try:
        stories, refused = stories_of(files, tuning)
        if for_programs:
            _write_json(stories)
        else:
            _write_text(list(stories), notes=notes)
    except ReadError as error:
        raise Stop(f"This cannot be replayed: {sentence_of(error)}.", Exit.REFUSED) from error
    for one in refused[:REFUSED_SHOWN]:
        say(f"{one.file} was left out: {one.reason}.", err=True)
    if len(refused) > REFUSED_SHOWN:
        more = say_count(len(refused) - REFUSED_SHOWN, "more report")
        say(f"{more} could not be read.", err=True)


def _write_json(stories: Iterator[DriveStory]) -> None:
    """Write a line for each drive, as it comes."""
    left_out = 0
    for story in stories:
        click.echo(json.dumps(story.as_record()))
        left_out += story.left_out
    _say_left_out(left_out)


def _say_left_out(count: int) -> None:
    if count:
        words = say_count(count, "row was", "rows were")
        say(f"{words} left out: the same drive at the same time, twice.", err=True)


def _chance_on(story: DriveStory, at: datetime) -> str:
    """Say how likely the drive was to fail within 30 days, as seen on a day."""
    p = next((p for day, p in story.chances if day == at), None)
    return say_percent(p) if p is not None else ""


def _write_text(stories: list[DriveStory], *, notes: bool) -> None:
    """Write what would have been told, in order of time, and how often."""
    least = Urgency.NOTE if notes else Urgency.THIS_WEEK
    rows = [(story, told) for story in stories for told in story.told if told.urgency >= least]
    rows.sort(key=lambda row: (row[1].at, row[0].serial))
    table = [
        [
            f"{told.at:%Y-%m-%d}",
            URGENCY_WORDS[told.urgency],
            f"{story.model} {story.serial}",
            _chance_on(story, told.at),
            told.rule.replace("-", " "),
        ]
        for story, told in rows
    ]
    if table:
        head = ["day", "how soon", "drive", "30 days", "what"]
        say("\n".join(columns([head, *table], total=terminal_width(), indent="")))
        say("")
    days = sum(len(story.chances) for story in stories)
    if not days:
        say("Nothing is recorded there.")
        return
    first = min(story.chances[0][0] for story in stories)
    last = max(story.chances[-1][0] for story in stories)
    told_of = sum(story.first(Urgency.THIS_WEEK) is not None for story in stories)
    say(
        f"{say_count(len(stories), 'drive')}, {say_count(days, 'drive-day')} from "
        f"{first:%Y-%m-%d} to {last:%Y-%m-%d}. Somebody would have been told of {told_of} of them."
    )
    say("30 days: the chance of a failure within 30 days, as seen on that day.")
    _say_left_out(sum(story.left_out for story in stories))
