"""Taking in a survey: what it says becomes history, once.

A survey that comes late (older than what is known of a drive or a pool) adds to the history, but
never takes the place of something newer.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from watcher.facts.survey import Survey
from watcher.store.codec import SURVEY, squeeze
from watcher.store.connection import Values
from watcher.store.drive_intake import DriveIntake
from watcher.store.event_intake import EventIntake
from watcher.store.pool_intake import PoolIntake
from watcher.store.round import Round
from watcher.store.statements import statements
from watcher.store.times import to_micros


class IntakePart(DriveIntake, PoolIntake, EventIntake):
    """Take in surveys."""

    def take_survey(self, survey: Survey, now: datetime, *, sent: bytes = b"") -> bool:
        """Put a survey into the history; False when it was taken in before.

        ``now`` is when it is taken in; everything in it is dated by its own times. ``sent`` is
        compressed JSON in which the survey stands under the name ``survey``, but for its box and
        id: where it is given and short it is kept as it is, and not written again.
        """
        sql = statements("intake")
        at = to_micros(survey.taken_at)
        if self.db.one(statements("hub")["survey-known"], {"survey": survey.survey}) is not None:
            return False
        noted: Values = {
            "survey": survey.survey,
            "box": survey.box,
            "taken_at": at,
            "taken_in_at": to_micros(now),
        }
        self.db.write(sql["note-survey"], noted)
        box = self.box_row(survey.box)
        heard: int = -1 if box is None else box["last_survey_at"]
        here = Round(box=survey.box, taken_at=at, heard=heard, now=to_micros(now))
        heard = here.known_until(heard)
        self.take_drives(here, survey)
        self.take_pools(here, survey.pools)
        self.take_events(survey.box, survey.events)
        if at >= heard:
            with_raw = any(reading.raw for reading in survey.drives)
            values: Values = {
                "box": survey.box,
                "at": at,
                "survey": survey.survey,
                "body": sent if sent and not with_raw else squeeze(SURVEY.write(_slim(survey))),
            }
            self.db.write(sql["new-box" if box is None else "box-heard"], values)
        return True


def _slim(survey: Survey) -> Survey:
    """Give a survey without the raw answers of its drives, which are kept elsewhere."""
    return replace(survey, drives=tuple(replace(r, raw="") if r.raw else r for r in survey.drives))
