"""Whose the names are in what a box hands over: its own, whatever it calls itself, and its drives'.

A drive that is known at another client gets a name of its own within the box that shows it.
Two clients' boxes must never share a drive's history: one would see what the other's drive did, or
could change it. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from watcher.facts.finding import Finding
from watcher.facts.identity import BoxId, DriveId, Subject, SubjectKind
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


def drives_named(survey: Survey) -> frozenset[DriveId]:
    """Name every drive of a survey, also those that only a pool or the kernel still speaks of."""
    found = {r.identity.drive for r in survey.drives}
    found |= {u.drive for u in survey.unread if u.drive is not None}
    found |= {drive for pool in survey.pools for drive in pool.drives}
    found |= {
        DriveId(e.subject.key)
        for e in survey.events
        if e.subject is not None and e.subject.kind is SubjectKind.DRIVE
    }
    return frozenset(found)


def own_survey(box: BoxId, survey: Survey) -> Survey:
    """Give a survey as that of the box of its token, with an id that no other box can have."""
    return survey.of_box(box, f"{box}|{survey.survey}")


def own_finding(box: BoxId, finding: Finding) -> Finding:
    """Give a finding of a box about its own watch."""
    return replace(finding, subject=_own_subject(box, finding.subject))


def _own_subject(box: BoxId, subject: Subject) -> Subject:
    return replace(subject, key=box) if subject.kind is SubjectKind.BOX else subject
