"""Boxes that are not heard of: is it the box, its line, or half the town, or we ourselves?

Pure. A box is quiet when it was not heard of for longer than its own rhythm allows. Many at once
are one thing about us or a line, told once to the shop, and not one case for each.
"""

from __future__ import annotations

import ipaddress
import shlex
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import Subject, SubjectKind, about_source
from watcher.facts.pool import Protection, how_bad
from watcher.facts.units import say_count, say_span
from watcher.notify.words import cut
from watcher.store.floor import PoolStanding
from watcher.store.hub import EnrolledBox

ROUNDS_MISSED = 3
"""A box is quiet after that many of its own rounds without a word; our choice: one lost survey is
sent again within minutes, two may be a reboot."""

MANY = 3
"""So many boxes of one network that fell quiet together are about the line. Our choice."""

TOGETHER = timedelta(minutes=15)
"""How far apart they may have been heard of last; our choice: a round and a half."""

HALF = 0.5
"""When that share of all boxes fell quiet together it is about us. Our choice."""

QUIET_BOX = "box-quiet"
SOURCE = "boxes"


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """What the quiet boxes come to."""

    alone: tuple[EnrolledBox, ...] = ()  # each is a case of its own
    lines: tuple[tuple[str, tuple[EnrolledBox, ...]], ...] = ()  # network and its boxes
    us: tuple[EnrolledBox, ...] = ()  # so many that it is about us


def is_quiet(box: EnrolledBox, now: datetime, least: timedelta) -> bool:
    """Tell whether a box was not heard of for longer than its rhythm allows.

    One that joined and has sent nothing yet is counted from then: its owner believes it is watched.
    """
    return now - expected_from(box) > max(least, _allowed(box))


def is_heard(box: EnrolledBox, at: datetime, now: datetime) -> bool:
    """Tell whether a sign of life at a moment still says that a box is there."""
    return now - at <= _allowed(box)


def expected_from(box: EnrolledBox) -> datetime:
    """Give from when a box is expected to report: its last survey, else when it joined."""
    return box.heard_at or box.joined_at


def _allowed(box: EnrolledBox) -> timedelta:
    return ROUNDS_MISSED * timedelta(seconds=box.every_seconds)


def network_of(address: str) -> str:
    """Give the network of an address as far as can be told from outside; "" for none.

    One address of IPv4 stands for a household or an office behind it, a /64 likewise in IPv6
    (RFC 6177 and common practice). An address that only holds on one wire names no line.
    """
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return ""
    if isinstance(found, ipaddress.IPv6Address):
        found = found.ipv4_mapped or found
    if found.is_loopback or found.is_link_local:
        return ""
    if found.version == 4:
        return str(found)
    return str(ipaddress.ip_network((int(found), 64), strict=False))


def sort_out(quiet: Iterable[EnrolledBox], watched: int) -> Quiet:
    """Divide quiet boxes by what their silence is about; ``watched`` counts all boxes."""
    boxes = sorted(quiet, key=expected_from)
    alone = [box for box in boxes if box.heard_at is None]  # never there: nothing fell quiet
    groups: list[list[EnrolledBox]] = []
    for box in boxes:
        if box.heard_at is None:
            continue
        if groups and expected_from(box) - expected_from(groups[-1][0]) <= TOGETHER:
            groups[-1].append(box)
        else:
            groups.append([box])
    lines: list[tuple[str, tuple[EnrolledBox, ...]]] = []
    us: list[EnrolledBox] = []
    for group in groups:
        if len(group) >= MANY and len(group) >= HALF * watched:
            us.extend(group)
            continue
        by_network: dict[str, list[EnrolledBox]] = defaultdict(list)
        for box in group:
            by_network[network_of(box.address)].append(box)
        for network, there in by_network.items():
            if network and len(there) >= MANY:
                lines.append((network, tuple(there)))
            else:
                alone.extend(there)
    return Quiet(alone=tuple(alone), lines=tuple(lines), us=tuple(us))


def finding_of_box(
    box: EnrolledBox, now: datetime, *, let_in: bool = True, pools: Iterable[PoolStanding] = ()
) -> Finding:
    """Say that one box is quiet, or that it is not ``let_in``: it has no token any more.

    How its ``pools`` stood at its last survey is said with it: a box that lost its margin and then
    fell quiet is not one that was well.
    """
    away = say_span(now - expected_from(box))
    stood = _say_stood(pools)
    if not let_in:
        sentence = "Nothing is taken from this box, for its token was taken away; it was last "
        sentence += f"heard of {away} ago.{stood} What happens on its drives is not seen here."
        next_step = "Let it join again: midwatch hub invite --client "
        next_step += f"{shlex.quote(box.client)} --box {shlex.quote(box.box)}. If it is watched no "
        next_step += f"more: midwatch hub return {shlex.quote(box.box)}"
    elif box.heard_at is None:
        sentence = f"The box joined {away} ago and has sent nothing yet: its watch does not run, "
        sentence += "or it does not reach this hub. What happens on its drives is not seen here."
        next_step = "See on the box whether its watch runs with --hub or hub.url in its settings, "
        next_step += "and what it says (journalctl -u midwatch)."
    else:
        sentence = f"The box has not reported for {away}: it, its line or its power is "
        sentence += f"off.{stood} What happens on its drives cannot be seen from here."
        next_step = "Ask whether it is on and its line works. If it runs, it keeps its surveys and "
        next_step += "alerts by itself; look there with: midwatch cases"
    return Finding(
        rule=QUIET_BOX,
        subject=Subject(kind=SubjectKind.BOX, key=box.box),
        label=box.box,
        urgency=Urgency.TODAY,
        sentence=sentence,
        next_step=next_step,
        observed_at=now,
        evidence=(
            Evidence(what="last survey", value=_at(box.heard_at)),
            Evidence(what="its rhythm", value=f"every {say_span(_every(box))}"),
            Evidence(what="last address", value=box.address or "not known"),
        ),
    )


POOLS_NAMED = 3
"""So many pools are named in a message about a box that is quiet, the worst first; our choice: a
phone shows no more."""

NAME_LENGTH = 30
"""Letters of a pool's name that are shown there; our choice."""


def _say_stood(pools: Iterable[PoolStanding]) -> str:
    """Say how the pools of a box stood when it was last heard, the worst first; "" without any."""
    order = sorted(pools, key=lambda pool: (-how_bad(pool.protection), pool.name))
    if not order:
        return ""
    if len(order) > 1 and all(pool.protection is Protection.WHOLE for pool in order):
        return f" When last heard, its {len(order)} pools were whole."
    named = [f"{cut(pool.name, NAME_LENGTH)} {_stood(pool)}" for pool in order[:POOLS_NAMED]]
    rest = len(order) - len(named)
    if rest:
        whole = order[len(named)].protection is Protection.WHOLE
        named.append(f"{say_count(rest, 'more', 'more')}{' whole' if whole else ''}")
    return f" When last heard: {', '.join(named)}."


def _stood(pool: PoolStanding) -> str:
    """Say in a word or two how a pool stood."""
    if pool.protection is Protection.BARE and pool.full_margin == 0:
        return "built with no margin"
    if pool.protection is Protection.THINNED:
        return f"margin {pool.margin} of {pool.full_margin}"
    return {
        Protection.BROKEN: "broken",
        Protection.BARE: "no margin left",
        Protection.UNKNOWN: "not seen",
        Protection.WHOLE: "whole",
    }[pool.protection]


def _at(moment: datetime | None) -> str:
    return "none yet" if moment is None else f"{moment:%Y-%m-%d %H:%M} UTC"


def _every(box: EnrolledBox) -> timedelta:
    return timedelta(seconds=box.every_seconds)


def findings_of_many(quiet: Quiet, now: datetime) -> tuple[Finding, ...]:
    """Say what is about a line or about us, for the hub's own book."""
    found = []
    for network, boxes in quiet.lines:
        found.append(
            _many(
                about_source(f"{SOURCE} behind {network}"),
                f"the line {network}",
                f"{say_count(len(boxes), 'box', 'boxes')} behind {network} fell quiet together: "
                "their line or the power there is off.",
                "Ask one of them whether the line works, before looking at each box.",
                boxes,
                now,
            )
        )
    if quiet.us:
        found.append(
            _many(
                about_source(SOURCE),
                "the hub",
                f"{say_count(len(quiet.us), 'box', 'boxes')} fell quiet together, at least half of "
                "all: it is most likely this hub, its line or its name.",
                "See whether the hub is reached from outside. The boxes alert by themselves until "
                "it is.",
                quiet.us,
                now,
            )
        )
    return tuple(found)


def _many(
    subject: Subject,
    label: str,
    sentence: str,
    next_step: str,
    boxes: tuple[EnrolledBox, ...],
    now: datetime,
) -> Finding:
    names = ", ".join(b.box for b in boxes[:8]) + (", …" if len(boxes) > 8 else "")
    return Finding(
        rule="many-boxes-quiet",
        subject=subject,
        label=label,
        urgency=Urgency.TODAY,
        sentence=sentence,
        next_step=next_step,
        observed_at=now,
        evidence=(Evidence(what="boxes", value=names),),
        level=len(boxes),
    )


def subjects_looked_at(before: Iterable[str], found: Iterable[Finding]) -> frozenset[Subject]:
    """Name what of the hub's own was looked at: all lines that were told of before, and us."""
    keys = {*before, SOURCE, *(finding.subject.key for finding in found)}
    return frozenset(about_source(key) for key in keys)
