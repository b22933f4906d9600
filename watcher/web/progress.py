"""How far a pool's work is, for the script that keeps a page up to date while it runs.

A page shows the same when it is drawn; without scripts it is loaded anew by hand.
"""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from watcher.web.ask import JSON, Ask, Reply, not_found
from watcher.web.pool_page import pool_asked
from watcher.web.prospect import prospect_of
from watcher.web.site import Site, notice_of
from watcher.web.words import Clockwork, say_work

OVER = "The work on this pool has ended. Load the page anew to see how it stands now."


def progress(site: Site, ask: Ask) -> Reply:
    """Give what changes of a pool's page: how far, until when, and as of when.

    A page that lies open says by itself when nobody looks at the box any more. Of a pool that does
    not show any more no end of its work is told: a Refusal, and the page says that it stands still.
    """
    with site.store.snapshot() as tx:
        box, view, pool = pool_asked(tx, site, ask)
        unheard = site.unheard_elsewhere(tx, box, ask.now)
    if pool not in view.survey.pools:
        raise not_found("look at that pool")
    clock = site.clockwork(ask)
    parts: dict[str, dict[str, str]] = {"seen": _moment(clock, view.survey.taken_at)}
    if pool.work is not None:
        parts["work"] = {"text": say_work(pool.work)}
    prospect = prospect_of(site, view, pool, ask.now)
    for name in ("earliest", "likely", "latest"):
        moment = getattr(prospect, name)
        if moment is not None:
            parts[name] = _moment(clock, moment)
    runs = pool.work is not None
    says = notice_of(site, ask) or ("" if runs else OVER)
    if unheard is not None:
        says = (
            f"{box} has not been heard from since {clock.when(unheard)}. This is how it was then."
        )
    said: dict[str, Any] = {"runs": runs, "says": says, "parts": parts}
    return Reply(body=json.dumps(said, ensure_ascii=False), kind=JSON)


def _moment(clock: Clockwork, moment: datetime) -> dict[str, str]:
    return {
        "text": clock.when(moment),
        "stamp": clock.stamp(moment),
        "full": clock.full(moment),
    }
