"""The shop's work list at a terminal, in the order in which one would go through it."""

from __future__ import annotations

from collections.abc import Iterator

from watcher.cli.cases import standing_of
from watcher.cli.columns import clean, columns, fold
from watcher.cli.parts import Room
from watcher.cli.show import URGENCY_WORDS
from watcher.exposure.figure import say_chance
from watcher.facts.units import say_bytes, say_count
from watcher.web.work_list import MOST_DUE, MOST_NEEDS, WorkList, lacking

MOST_NAMED = 8


def written(found: WorkList, room: Room, width: int) -> Iterator[str]:
    """Write all of it; each part says when there is nothing in it."""
    yield from _cases(found, room, width)
    yield ""
    yield from _drives(found, width)
    yield ""
    yield from _ready(found, width)
    yield ""
    yield from _dues(found, room, width)


def _cases(found: WorkList, room: Room, width: int) -> Iterator[str]:
    yield "Cases, by urgency and then by the chance that data is lost"
    for piece in found.pieces:
        chance = f", loss {say_chance(piece.chance)}" if piece.chance is not None else ""
        head = (
            f"{piece.box} of {piece.client}, case {piece.case.number}{chance}: "
            f"{standing_of(piece.case, room)}"
        )
        about = f"{piece.case.label}: {piece.case.says}"
        yield from columns([[URGENCY_WORDS[piece.case.urgency], head]], total=width)
        yield from (f"      {line}" for line in fold(clean(about), width - 6))
    if not found.pieces:
        yield "  Nothing is open that needs the shop. That is no proof of health."
    else:
        yield "  To see or take one: midwatch case N --box BOX, midwatch ack N --box BOX"
    for box in found.quiet:
        if box.heard_at is not None:
            yield f"  Not heard from: {box.box} of {box.client}, since {room.say(box.heard_at)}"
    for box in found.never:
        yield f"  Never heard of: {box.box} of {box.client}, joined {room.say(box.joined_at)}"


def _drives(found: WorkList, width: int) -> Iterator[str]:
    yield "Drives this month"
    if not found.sizes:
        yield (
            f"  None could be read; {say_count(found.unread, 'drive')} told nothing."
            if found.unread
            else "  No drive was looked at yet."
        )
        return
    head = [
        "size",
        "gone",
        "likely to go",
        "expected",
        "at the box",
        "on our shelf",
        "to get",
    ]
    rows = [head]
    rows += [
        [
            line.size,
            str(line.now),
            str(line.soon),
            f"{line.expected:.2f} of {line.others}",
            str(line.beside),
            f"{line.ready} proven, {line.unproven} not",
            str(line.to_get),
        ]
        for line in found.sizes
    ]
    yield from columns(rows, total=width)
    for need in found.needs[:MOST_NEEDS]:
        what = "Gone" if need.lost else "Likely to go"
        told = (
            f"{what}: {need.label} in {need.pool} of {need.box}, {need.client}: "
            f"at least {say_bytes(need.least_bytes)}; {need.held.value}"
        )
        yield from (f"  {line}" for line in fold(clean(told), width - 2, "  "))
    if len(found.needs) > MOST_NEEDS:
        yield f"  and {len(found.needs) - MOST_NEEDS} more"
    if found.unread:
        yield f"  {say_count(found.unread, 'drive')} could not be read and count nowhere."


def _ready(found: WorkList, width: int) -> Iterator[str]:
    yield "Not ready for the next failure, as far as is known here"
    rows = [
        [topic, say_count(len(boxes), "box", "boxes"), _names([str(one.box) for one in boxes])]
        for topic, boxes in lacking(found).items()
    ]
    yield from columns(rows, total=width)
    if not rows:
        yield "  No box lacks anything that can be judged from here."
    if found.untold:
        told = (
            f"Of {say_count(len(found.untold), 'box', 'boxes')} shelf, drills and restores are not "
            f"told by the box: {_names([str(one.box) for one in found.untold])}. Update midwatch "
            "there."
        )
        yield from (f"  {line}" for line in fold(clean(told), width - 2, "  "))


def _names(names: list[str]) -> str:
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _dues(found: WorkList, room: Room, width: int) -> Iterator[str]:
    yield "Falls due within two weeks, or is overdue"
    rows = [
        [
            f"{'since ' if due.at < room.now else ''}{room.say(due.at)}",
            f"{one.box} of {one.client}",
            due.what,
        ]
        for one, due in found.dues[:MOST_DUE]
    ]
    yield from columns(rows, total=width)
    if len(found.dues) > MOST_DUE:
        yield f"  and {len(found.dues) - MOST_DUE} more"
    if not rows:
        yield "  Nothing that we know of."
