"""Who is asking: a signed-in browser, somebody with a signed link, or another program."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import timedelta

from watcher.service.links import Link, Refused, check
from watcher.store.accounts import REPLACED_LIVES, Account, Role, Session
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Holder, Needs, Refusal
from watcher.web.one_time import fingerprint
from watcher.web.site import Site

IDLE = timedelta(days=7)
"""A session that was not used for so long is over; our choice: a week's leave."""

WHOLE = timedelta(days=30)
"""A session is over after so long however much it was used; our choice."""

RENEW_AFTER = timedelta(hours=1)
"""How old the name of a session grows before it gets a new one; our choice."""

SEEN_STEP = timedelta(minutes=10)
"""How often at most it is written down that a session was used."""

_NAME_BYTES = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """Somebody, and the cookie that goes back to them where their session got a new name."""

    holder: Holder | None
    cookie: str = ""


def cookie_name(site: Site) -> str:
    """Give the name of the cookie; behind TLS one that a browser sends to this host only."""
    return "__Host-midwatch" if site.terms.is_secure else "midwatch"


def cookie_for(site: Site, value: str) -> tuple[str, str]:
    """Give the header that sets the cookie; an empty value takes it away."""
    lives = int(WHOLE.total_seconds()) if value else 0
    text = f"{cookie_name(site)}={value}; Path=/; HttpOnly; SameSite=Lax; Max-Age={lives}"
    return ("set-cookie", text + ("; Secure" if site.terms.is_secure else ""))


def know(site: Site, ask: Ask, needs: Needs, *, program: bool) -> Known:
    """Say who is asking, as far as this address lets them be known."""
    if needs is Needs.NOTHING:
        return Known(holder=None)
    if needs is Needs.LINK:
        return Known(holder=_by_link(site, ask))
    if program:
        return Known(holder=_by_token(site, ask))
    return _by_session(site, ask)


def _by_link(site: Site, ask: Ask) -> Holder:
    text = ask.parts.get("link", "")
    with site.store.snapshot() as tx:
        keys = tx.signing_keys(ask.now)
    link = check(text, keys, ask.now)
    if link is Refused.ENDED:
        raise Refusal(
            410, "This link has ended. The newest message about the case has one that works."
        )
    if not isinstance(link, Link) or site.terms.standing.policy.person(link.person) is None:
        raise Refusal(404, "This link does not work. Perhaps it was cut; take it as a whole.")
    return Holder(
        name=link.person,
        by=link.person,
        role=Role.ACT,
        bond=f"link {text}",
        link=link,
        link_text=text,
    )


def _by_token(site: Site, ask: Ask) -> Holder:
    scheme, _, text = ask.headers.get("authorization", "").partition(" ")
    if scheme.casefold() != "bearer":
        text = ask.query.get("key", "") if ask.path.endswith(".ics") else ""
    if not text:
        raise Refusal(
            401,
            "A token is needed: Authorization: Bearer TOKEN. midwatch account token makes one.",
            headers=(("www-authenticate", 'Bearer realm="midwatch"'),),
        )
    wait = site.tries.wait_for("", ask.address, ask.now)
    if wait is not None:
        raise too_often(wait)
    with site.store.snapshot() as tx:
        token = tx.token(hashed=fingerprint(text.strip()))
    if token is None or (token.ends_at is not None and token.ends_at <= ask.now):
        site.tries.failed("", ask.address, ask.now)
        raise Refusal(
            401,
            "This token is not known, or has ended.",
            headers=(("www-authenticate", 'Bearer realm="midwatch", error="invalid_token"'),),
        )
    return Holder(
        name=token.name,
        by=token.name,
        role=token.role,
        bond=f"token {token.hash}",
        boxes=token.boxes,
    )


def too_often(wait: timedelta) -> Refusal:
    """Say that too many tries failed."""
    minutes = max(1, -(-int(wait.total_seconds()) // 60))
    return Refusal(
        429,
        f"Too many tries failed. Wait {minutes} min, or use the link in a message.",
        headers=(("retry-after", str(minutes * 60)),),
    )


def _by_session(site: Site, ask: Ask) -> Known:
    value = ask.cookies.get(cookie_name(site), "")
    if not value:
        return Known(holder=None)
    hashed = fingerprint(value)
    with site.store.snapshot() as tx:
        session = tx.session(hashed)
        account = tx.account(session.account) if session else None
    if session is None or account is None or not is_alive(session, account, ask):
        return Known(holder=None)
    cookie = ""
    renew = session.replaced_at is None and ask.now - session.renewed_at > RENEW_AFTER
    if renew or ask.now - session.seen_at > SEEN_STEP:
        with site.store.transaction() as tx:
            if renew:
                fresh = secrets.token_urlsafe(_NAME_BYTES)
                if tx.replace_session(session, fingerprint(fresh), ask.now):
                    cookie = fresh
            else:
                tx.session_seen(hashed, ask.now)
    return Known(holder=holder_of(account, session), cookie=cookie)


def is_alive(session: Session, account: Account, ask: Ask) -> bool:
    """Tell whether a session still holds for its account."""
    if session.replaced_at is not None and ask.now - session.replaced_at > REPLACED_LIVES:
        return False
    if ask.now - session.seen_at > IDLE or ask.now - session.begun_at > WHOLE:
        return False
    return session.account == account.name


def holder_of(account: Account, session: Session) -> Holder:
    """Say who is signed in.

    Forms are tied to when the session began, so that one that lay open while the session got a
    new name can still be sent.
    """
    return Holder(
        name=account.name,
        by=account.person or account.name,
        role=account.role,
        bond=f"session {account.name} {session.begun_at.isoformat()}",
        boxes=account.boxes,
        session=session.hash,
    )


def begin_session(tx: Transaction, account: Account, ask: Ask) -> str:
    """Sign somebody in; give what their cookie is to hold. Sessions that ended are forgotten."""
    fresh = secrets.token_urlsafe(_NAME_BYTES)
    tx.end_old_sessions(begun_before=ask.now - WHOLE, seen_before=ask.now - IDLE)
    tx.begin_session(
        Session(
            hash=fingerprint(fresh),
            account=account.name,
            begun_at=ask.now,
            renewed_at=ask.now,
            seen_at=ask.now,
            address=ask.address,
        )
    )
    return fresh
