"""For those who manage: accounts, their sessions, tokens, and who did what."""

from __future__ import annotations

from collections.abc import Iterable

from watcher.web.ask import Ask, Reply, go_to, not_found
from watcher.web.holders import whose_account
from watcher.web.site import Site, draw

MOST_LINES = 200


def manage(site: Site, ask: Ask) -> Reply:
    """Show who may come in and what was done."""
    with site.store.snapshot() as tx:
        accounts = [
            (
                account,
                sees_words(account.boxes, whose_account(site, account)),
                tx.sessions_of(account.name),
            )
            for account in tx.accounts()
        ]
        tokens = [(token, sees_words(token.boxes, token.client)) for token in tx.tokens()]
        lines = tx.audit(limit=MOST_LINES)
    return draw(site, ask, "manage.html", {"accounts": accounts, "tokens": tokens, "lines": lines})


def sees_words(boxes: Iterable[str], client: str) -> str:
    """Say which boxes somebody may see."""
    named = ", ".join(boxes)
    if client:
        return f"{named} of {client}" if named else f"the boxes of {client}"
    return named or "all boxes"


def end_sessions(site: Site, ask: Ask) -> Reply:
    """Sign an account out everywhere."""
    name = ask.field("name")
    with site.store.transaction() as tx:
        if tx.account(name) is None:
            raise not_found("account of that name")
        tx.end_sessions_of(name)
    site.audit(ask, "ended-sessions", about=name)
    return go_to("/manage?done=sessions")
