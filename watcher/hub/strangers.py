"""A drive that is known at another client gets a name of its own within the box that shows it.

Two clients' boxes must never share a drive's history: one would see what the other's drive did, or
could change it. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from watcher.facts.identity import DriveId, SubjectKind
from watcher.facts.kernel_event import KernelEvent
from watcher.facts.pool import Member, Pool, RedundancySet
from watcher.facts.survey import Survey


def rename_drives(survey: Survey, names: Mapping[DriveId, DriveId]) -> Survey:
    """Give a survey in which some drives go by other names, wherever they are named."""
    return replace(
        survey,
        drives=tuple(
            replace(
                r,
                identity=replace(r.identity, drive=names.get(r.identity.drive, r.identity.drive)),
            )
            for r in survey.drives
        ),
        unread=tuple(
            replace(u, drive=names.get(u.drive, u.drive)) if u.drive is not None else u
            for u in survey.unread
        ),
        pools=tuple(_pool(pool, names) for pool in survey.pools),
        events=tuple(_event(event, names) for event in survey.events),
    )


def _pool(pool: Pool, names: Mapping[DriveId, DriveId]) -> Pool:
    tree = _part(pool.tree, names) if pool.tree is not None else None
    if isinstance(tree, Member):
        raise TypeError("a pool's tree is a set")
    return replace(pool, tree=tree, others=tuple(_member(m, names) for m in pool.others))


def _part(part: RedundancySet | Member, names: Mapping[DriveId, DriveId]) -> RedundancySet | Member:
    if isinstance(part, Member):
        return _member(part, names)
    return replace(part, parts=tuple(_part(below, names) for below in part.parts))


def _member(member: Member, names: Mapping[DriveId, DriveId]) -> Member:
    return replace(member, drives=tuple(names.get(d, d) for d in member.drives))


def _event(event: KernelEvent, names: Mapping[DriveId, DriveId]) -> KernelEvent:
    about = event.subject
    if about is None or about.kind is not SubjectKind.DRIVE:
        return event
    key = names.get(DriveId(about.key), DriveId(about.key))
    return replace(event, subject=replace(about, key=key))
