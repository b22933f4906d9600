"""Puts together all that is known of how a box is prepared, for the rules and for the forecasts."""

from __future__ import annotations

from dataclasses import replace

from watcher.facts.identity import BoxId
from watcher.facts.pool import MemberState, Pool, Role
from watcher.facts.readiness import (
    MOST_DRILLS,
    MOST_RESTORES,
    MOST_SPARES,
    Preparation,
    Source,
    ToldReadiness,
)
from watcher.recovery.shelf import compare_all
from watcher.rules.view import View
from watcher.store.transaction import Transaction


def hot_spares(pool: Pool) -> int:
    """Count the spares inside a pool that wait for a loss."""
    return sum(m.role is Role.SPARE and m.state is MemberState.SPARE for m in pool.others)


def prepared(
    tx: Transaction, view: View, *, reached_away: bool | None = None, beats: bool | None = None
) -> View:
    """Give the view with what the store and the survey tell of the box's readiness.

    ``reached_away`` and ``beats`` come from the settings; None where they are not at hand. Of a box
    at a hub, what the box told stands in the place of what the store holds, and that it falls
    silent is what the hub notices.
    """
    survey = view.survey
    source, kept = kept_ready(tx, survey.box)
    inside = {d for pool in survey.pools for m in pool.members for d in m.drives}
    shelf = tuple(
        spare
        for spare in kept.shelf
        if spare.identity is None or spare.identity.drive not in inside
    )  # one that went into a pool is no spare any more, whether or not somebody said so
    answer = tx.last_answer(survey.box)
    known_since = (tx.watched_since(survey.box), kept.watched_since)
    since = min((at for at in known_since if at is not None), default=None)
    backups = survey.backups
    ready = Preparation(
        source=source,
        shelf=shelf,
        fits=compare_all(shelf, survey.pools, identity_of=view.identity_of, label_of=view.label_of),
        things=backups.things if backups is not None else None,
        restores=kept.restores,
        drills=kept.drills,
        watched_since=since,
        answered_at=answer[0] if answer is not None else None,
        answered_by=answer[1] if answer is not None else "",
        reached_away=reached_away,
        beats=beats if source is Source.HERE else True,
        own_way=kept.own_way,
        hot_spares=tuple((pool.pool, hot_spares(pool)) for pool in survey.pools),
    )
    return replace(view, ready=ready)


def kept_ready(tx: Transaction, box: BoxId) -> tuple[Source, ToldReadiness]:
    """Give what is kept of a box's readiness beside its surveys, and from where we know it."""
    row = tx.told_by(box)
    if row is None:
        kept = ToldReadiness(
            shelf=tx.shelf(box)[-MOST_SPARES:],
            drills=tx.drills(box)[-MOST_DRILLS:],
            restores=tx.restores(box)[-MOST_RESTORES:],
        )
        return Source.HERE, kept
    if row.told is None:
        return Source.NOT_TOLD, ToldReadiness()
    return Source.TOLD, row.told
