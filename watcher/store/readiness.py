"""How a box is prepared: its shelf, its rehearsals, and the restores that were tried."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from watcher.facts.identity import BoxId
from watcher.facts.readiness import (
    DrillDone,
    RestoreTried,
    ShelfSpare,
    ToldReadiness,
)
from watcher.store.codec import Form
from watcher.store.connection import Values
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import from_micros, from_micros_or_none, to_micros

SPARE: Final = Form[ShelfSpare](ShelfSpare)
DRILL: Final = Form[DrillDone](DrillDone)
RESTORE: Final = Form[RestoreTried](RestoreTried)

TOLD: Final = Form[ToldReadiness](ToldReadiness)

_FILE: Final = "readiness"


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldRow:
    """What an enrolled box told its hub, and when."""

    at: datetime | None  # None: it has told nothing yet
    told: ToldReadiness | None


class ReadinessPart(Part):
    """Keep and give what was done for the next failure."""

    def shelf(self, box: BoxId) -> tuple[ShelfSpare, ...]:
        """Give the spares on the shelf and those on their way, by number."""
        rows = self.db.rows(statements(_FILE)["shelf"], {"box": box})
        return tuple(SPARE.read(row["spare"], f"spare {row['number']}") for row in rows)

    def add_spare(self, box: BoxId, spare: ShelfSpare) -> ShelfSpare:
        """Put a spare on the shelf under the next number; give it with that number."""
        last = self.db.one(statements(_FILE)["last-spare-number"], {"box": box})["number"] or 0
        numbered = replace(spare, number=last + 1)
        self.save_spare(box, numbered)
        return numbered

    def save_spare(self, box: BoxId, spare: ShelfSpare) -> None:
        """Write a spare as it is now."""
        self.told_or_said()
        self.db.change(
            statements(_FILE)["save-spare"],
            {"box": box, "number": spare.number, "spare": SPARE.write(spare)},
        )

    def remove_spare(self, box: BoxId, number: int) -> bool:
        """Take a spare off the shelf; False when there is none of that number."""
        self.told_or_said()
        values: Values = {"box": box, "number": number}
        return self.db.change(statements(_FILE)["remove-spare"], values) > 0

    def drills(self, box: BoxId) -> tuple[DrillDone, ...]:
        """Give the rehearsals of a box, oldest first."""
        rows = self.db.rows(statements(_FILE)["drills"], {"box": box})
        return tuple(DRILL.read(row["drill"], f"drill {row['number']}") for row in rows)

    def next_drill(self, box: BoxId) -> int:
        """Give the number of the next rehearsal."""
        last = self.db.one(statements(_FILE)["last-drill-number"], {"box": box})["number"] or 0
        return int(last) + 1

    def save_drill(self, box: BoxId, drill: DrillDone) -> None:
        """Write a rehearsal as it is now."""
        self.told_or_said()
        self.db.change(
            statements(_FILE)["save-drill"],
            {"box": box, "number": drill.number, "drill": DRILL.write(drill)},
        )

    def restores(self, box: BoxId) -> tuple[RestoreTried, ...]:
        """Give the restores that were tried, oldest first."""
        rows = self.db.rows(statements(_FILE)["restores"], {"box": box})
        return tuple(RESTORE.read(row["restore"], "a restore") for row in rows)

    def add_restore(self, box: BoxId, restore: RestoreTried) -> None:
        """Write down a restore that was tried."""
        self.told_or_said()
        self.db.change(
            statements(_FILE)["add-restore"], {"box": box, "restore": RESTORE.write(restore)}
        )

    def last_answer(self, box: BoxId) -> tuple[datetime, str] | None:
        """Give when a person last answered a case of a box, and who; None: nobody ever did."""
        row = self.db.one(statements(_FILE)["last-answer"], {"box": box})
        return None if row is None else (from_micros(row["at"]), str(row["by_whom"]))

    def told_by(self, box: BoxId) -> ToldRow | None:
        """Give what an enrolled box told of how it is prepared; None: it is no enrolled box."""
        row = self.db.one(statements(_FILE)["told-by-box"], {"box": box})
        if row is None:
            return None
        text = row["told"]
        return ToldRow(
            at=from_micros_or_none(row["told_at"]),
            told=None if text is None else TOLD.read(text, "what a box told"),
        )

    def save_told(self, box: BoxId, told: ToldReadiness, now: datetime) -> None:
        """Keep what an enrolled box told, in the place of what it told before."""
        self.told_or_said()
        values: Values = {"box": box, "told_at": to_micros(now), "told": TOLD.write(told)}
        self.db.change(statements(_FILE)["save-told"], values)
