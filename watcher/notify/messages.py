"""From facts to the text on a phone. Pure.

A message is read on a lock screen by somebody who was asleep. The title and the first line hold
at most 160 characters together (one SMS of the GSM 7-bit alphabet, 3GPP TS 23.038) and say how
soon, what and where, in plain words and without raw counters. Below follow what is at stake, the
chance and the time if they are known, the next action, and where to answer. The whole is below
1 kB; where it would be longer, the least needed lines go first and the first line never.

A pool that has not its full margin is never called well: the all-clear is worded as such only
when full margin is proven, and every calm message names a pool that still is not whole.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, tzinfo

from watcher.cases.effects import Tell
from watcher.cases.state import Case, NoticeKind
from watcher.facts.finding import Urgency
from watcher.notify.below import LONGEST_LINK, action_lines, named, say_stake, standing_lines
from watcher.notify.message_facts import CaseExtras, Message
from watcher.notify.openings import ITEMS_SHOWN, opening_of, reason_of, title_of
from watcher.notify.scene import Line, Scene, in_short, is_proven
from watcher.notify.words import WHEN, clean, cut, split_at, whole_sentences

LOCK_SCREEN_CHARACTERS = 160
LONGEST_BYTES = 960
"""Title and body in UTF-8; with a last line for the message id it stays below 1 kB."""
LONGEST_TITLE = 100

_NO_EXTRAS = CaseExtras()


def render(
    tell: Tell,
    cases: Mapping[int, Case],
    *,
    box_name: str,
    person_zone: tzinfo,
    now: datetime,
    extras: Mapping[int, CaseExtras],
) -> Message:
    """Give the text of one message. Never raises, whatever the labels and sentences hold."""
    scenes = [
        Scene(
            item=item,
            case=cases.get(item.case),
            extras=extras.get(item.case, _NO_EXTRAS),
            box=cut(box_name, 24) or "this box",
            zone=person_zone,
            now=now,
        )
        for item in sorted(tell.items, key=lambda i: (-i.urgency.rank, i.case, i.number))
    ]
    if len(scenes) == 1:
        return _one(scenes[0])
    link = extras.get(0, _NO_EXTRAS).link
    return _many(scenes, link)


def _one(scene: Scene) -> Message:
    """Say one thing."""
    title = title_of(scene)
    first, *below = opening_of(scene)
    lines = [Line(text=cut(text, 300), drop=4) for text in below if text]
    lines += standing_lines(scene)
    lines += action_lines(scene)
    return _fitted(title, first, lines)


def _many(scenes: list[Scene], link: str) -> Message:
    """Say several things in one message, most urgent first."""
    top = scenes[0]
    count = len(scenes)
    if all(scene.is_calm or _ended_well(scene) for scene in scenes):
        title = f"{count} updates on {top.box}"
    else:
        title = f"{WHEN[top.item.urgency]}: {count} things on {top.box}"
    said = [_in_short(scene) for scene in scenes]
    first = said[0]
    lines = [Line(text=text, drop=3 + index) for index, text in enumerate(said[1:ITEMS_SHOWN])]
    if count > ITEMS_SHOWN:
        lines.append(Line(text=f"and {count - ITEMS_SHOWN} more", drop=2))
    lead = next((s.finding for s in scenes if not s.is_calm and s.finding is not None), None)
    if lead is not None:
        step = whole_sentences(in_short(lead, lead.next_step), 240)
        lines.append(Line(text=f"Next: {step}", drop=1))
    link = clean(link)
    every = named("All: midwatch cases", top.extras.box_option)
    lines.append(Line(text=link if link and len(link) <= LONGEST_LINK else every, drop=1))
    return _fitted(title, first, lines)


def _ended_well(scene: Scene) -> bool:
    """Whether planned work is over and nothing is left of it."""
    return scene.item.kind is NoticeKind.WORK_ENDED and scene.item.urgency is Urgency.NOTE


def _in_short(scene: Scene) -> str:
    """Say one of several things on one line."""
    if scene.item.kind is NoticeKind.DIGEST:
        return f"Still watching: {opening_of(scene)[0]}"
    place = scene.label
    what = opening_of(scene)[0]
    if scene.item.kind is NoticeKind.ALL_CLEAR:
        word = "all clear" if is_proven(scene) else "over"
        stake = say_stake(scene)
        return whole_sentences(f"{place}: {word}. {stake or what}", 220)  # what is not proven too
    if scene.is_calm or _ended_well(scene):
        return cut(f"{place}: {what}" if place else what, 110)
    when = f"{WHEN[scene.item.urgency].lower()}{reason_of(scene)}"
    return cut(f"{place}{scene.plight} ({when}): {what}" if place else f"{what} ({when})", 110)


def _fitted(title: str, first: str, lines: list[Line]) -> Message:
    """Put the parts together so that every limit holds."""
    title = cut(title, LONGEST_TITLE)
    first, rest = split_at(first, LOCK_SCREEN_CHARACTERS - len(title))
    kept = [line for line in lines if line.text]
    if rest:
        kept.insert(0, Line(text=cut(rest, 300), drop=1))
    while True:
        body = "\n".join((first, *(line.text for line in kept)))
        if len(f"{title}\n{body}".encode()) <= LONGEST_BYTES or not kept:
            return Message(title=title, body=body)
        least = max(range(len(kept)), key=lambda index: (kept[index].drop, index))
        del kept[least]
