"""Puts together all that is known of how a box is prepared, for the rules and for the forecasts."""

from __future__ import annotations

from dataclasses import replace

from watcher.facts.pool import MemberState, Pool, Role
from watcher.facts.readiness import Preparation
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

    ``reached_away`` and ``beats`` come from the settings; None where they are not at hand.
    """
    survey = view.survey
    inside = {d for pool in survey.pools for m in pool.members for d in m.drives}
    shelf = tuple(
        spare
        for spare in tx.shelf(survey.box)
        if spare.identity is None or spare.identity.drive not in inside
    )  # one that went into a pool is no spare any more, whether or not somebody said so
    answer = tx.last_answer(survey.box)
    since = tx.watched_since(survey.box)
    backups = survey.backups
    ready = Preparation(
        shelf=shelf,
        fits=compare_all(shelf, survey.pools, identity_of=view.identity_of, label_of=view.label_of),
        things=backups.things if backups is not None else None,
        things_seen_at=backups.seen_at if backups is not None else None,
        restores=tx.restores(survey.box),
        drills=tx.drills(survey.box),
        watched_since=since,
        answered_at=answer[0] if answer is not None else None,
        answered_by=answer[1] if answer is not None else "",
        reached_away=reached_away,
        beats=beats,
        hot_spares=tuple((pool.pool, hot_spares(pool)) for pool in survey.pools),
    )
    return replace(view, ready=ready)
