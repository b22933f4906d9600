"""A box that is not here, from a file of ``midwatch collect`` or from saved smartctl reports."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from watcher.cli.exits import Exit, Stop
from watcher.facts.drive import DriveReading, Unread
from watcher.facts.identity import BoxId, DriveId
from watcher.facts.survey import Blindness, Survey
from watcher.facts.units import say_count
from watcher.readers import box_file, saved_reports
from watcher.readers.errors import ReadError
from watcher.readers.recorded_days import GZIP
from watcher.readers.saved_reports import SavedReports

REFUSED_SHOWN = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Elsewhere:
    """The survey of a box that is not here."""

    survey: Survey
    origin: str  # where it is from, a sentence
    partial: bool  # there is more to a box than this can tell


def survey_from(path: Path, *, deep: bool) -> Elsewhere:
    """Give the survey of a box that is not here; stops with a sentence when there is none."""
    try:
        if is_collected(path):
            box = box_file.read(path)
            survey = box.surveyor().take("look", box.taken_at, deep=deep).survey
            masked = " Serial numbers and names are invented ones." if box.masked else ""
            origin = (
                f"The box {survey.box} as it was on {box.taken_at:%d %b %Y %H:%M} UTC, collected "
                f"by midwatch {box.written_by}.{masked} Nothing of its past is known here."
            )
            return Elsewhere(survey=survey, origin=origin, partial=False)
        reports = saved_reports.read(path)
    except ReadError as error:
        why = sentence_of(error).removeprefix(f"{path}: ")
        raise Stop(f"{path} cannot be used: {why}.", Exit.REFUSED) from error
    if not (reports.readings or reports.unread or reports.refused):
        raise Stop(
            f"{path} holds no report. Name a file of midwatch collect, or a folder with what "
            "smartctl -x printed, one file for each drive.",
            Exit.REFUSED,
        )
    return Elsewhere(
        survey=survey_of_reports(path, reports),
        origin=f"{say_count(len(reports.readings), 'saved report')} in {path}.",
        partial=True,
    )


def sentence_of(error: ReadError) -> str:
    """Give what was wrong, without the source's name and without a full stop."""
    words = str(getattr(error, "reason", "") or getattr(error, "detail", "") or error)
    remedy = str(getattr(error, "remedy", ""))
    return (f"{words}. {remedy}" if remedy else words).rstrip(".")


def is_collected(path: Path) -> bool:
    """Tell by its first bytes whether a file is a collected box."""
    if not path.is_file():
        return False
    try:
        with path.open("rb") as file:
            return file.read(2) == GZIP
    except OSError:
        return False


def survey_of_reports(path: Path, reports: SavedReports) -> Survey:
    """Make a survey of reports: of each drive the newest, all of one moment, that of the last."""
    newest: dict[DriveId, DriveReading] = {}
    for reading in sorted(reports.readings, key=lambda r: r.observed_at):
        newest[reading.identity.drive] = reading
    times = [r.observed_at for r in newest.values()] + [u.observed_at for u in reports.unread]
    blind = [
        Blindness(
            source="saved reports",
            why=Unread.GARBLED,
            detail=f"{refused.file}: {refused.reason}.",
            remedy="Make the report anew: smartctl -x, as root.",
        )
        for refused in reports.refused[:REFUSED_SHOWN]
    ]
    if len(reports.refused) > REFUSED_SHOWN:
        more = say_count(len(reports.refused) - REFUSED_SHOWN, "more report")
        blind.append(replace(blind[-1], detail=f"{more} could not be read."))
    taken_at = max(times) if times else saved_reports.written_at(path)
    return Survey(
        survey="look",
        box=BoxId(path.resolve().name or "reports"),
        taken_at=taken_at,
        drives=tuple(newest.values()),
        unread=reports.unread,
        blind=tuple(blind),
        doubts=("Saved reports tell of drives only; pools and kernel log are not in them.",),
    )
