"""A drive goes by another name wherever it is named."""

from __future__ import annotations

from tests.hub.stage import look
from tests.store import made
from watcher.facts.drive import Unread
from watcher.facts.identity import DriveId
from watcher.hub.strangers import rename_drives


def test_every_place_that_names_a_drive_is_changed_and_nothing_else() -> None:
    survey = look(1, events=(made.event(),), missing=(made.unread(1, Unread.HUNG),))
    names = {made.drive_id(1): DriveId("other")}
    renamed = rename_drives(survey, names)
    assert made.drive_id(1) not in str(renamed)
    back = rename_drives(renamed, {DriveId("other"): made.drive_id(1)})
    assert back == survey
