"""Who is asking: a signed-in browser, somebody with a signed link, or another program."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, replace
from datetime import timedelta

from watcher.facts.identity import BoxId
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
    if not isinstance(link, Link) or not _still_told(site, link):
        raise Refusal(404, "This link does not work. Perhaps it was cut; take it as a whole.")
    return Holder(
        name=link.person,
        by=link.person,
        role=Role.ACT,
        bond=f"link {text}",
        link=link,
        link_text=text,
        client=client_of(site, link.person),
    )


def _still_told(site: Site, link: Link) -> bool:
    """Tell whether the person of a link is still one who hears of its box."""
    with site.store.snapshot() as tx:
        return site.standing(tx, link.box).policy.person(link.person) is not None


def client_of(site: Site, person: str) -> str:
    """Give the client whose person that is, "" at a single box and for the shop's own."""
    clients = site.terms.clients
    return clients.client_of(person) if clients is not None and person else ""


def seen_by(tx: Transaction, boxes: tuple[BoxId, ...], client: str) -> frozenset[BoxId] | None:
    """Give the boxes that somebody may see; None: all of them.

    Somebody of a client sees the client's boxes, and of those the named ones where some are named.
    """
    named = frozenset(boxes) if boxes else None
    if not client:
        return named
    theirs = frozenset(box.box for box in tx.enrolled_boxes(client))
    return theirs if named is None else theirs & named


def role_for(role: Role, client: str) -> Role:
    """Give what somebody may do: who is of a client manages nothing of the shop's."""
    return Role.ACT if client and role.covers(Role.ACT) else role


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
    wait = site.tries.wait_for(None, ask.address, ask.now)
    if wait is not None:
        raise too_often(wait)
    with site.store.snapshot() as tx:
        token = tx.token(hashed=fingerprint(text.strip()))
        boxes = seen_by(tx, token.boxes, token.client) if token is not None else None
    if token is None or (token.ends_at is not None and token.ends_at <= ask.now):
        site.tries.failed(None, ask.address, ask.now)
        raise Refusal(
            401,
            "This token is not known, or has ended.",
            headers=(("www-authenticate", 'Bearer realm="midwatch", error="invalid_token"'),),
        )
    return Holder(
        name=token.name,
        by=token.name,
        role=role_for(token.role, token.client),
        bond=f"token {token.hash}",
        boxes=boxes,
        client=token.client,
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
        client = whose_account(site, account) if account is not None else ""
        boxes = seen_by(tx, account.boxes, client) if account is not None else None
    if session is None or account is None or not is_alive(session, account, ask):
        return Known(holder=None)
    _refuse_who_left(site, account)
    cookie = ""
    renew = session.replaced_at is None and ask.now - session.renewed_at > RENEW_AFTER
    if renew or ask.now - session.seen_at > SEEN_STEP:
        with site.store.transaction() as tx:
            if renew:
                fresh = secrets.token_urlsafe(_NAME_BYTES)
                if tx.replace_session(session, fingerprint(fresh), ask.now):
                    cookie, hashed = fresh, fingerprint(fresh)
            else:
                tx.session_seen(hashed, ask.now)
    holder = holder_of(account, replace(session, hash=hashed))  # under the name it goes on by
    holder = replace(holder, boxes=boxes, client=client, role=role_for(account.role, client))
    return Known(holder=holder, cookie=cookie)


def is_alive(session: Session, account: Account, ask: Ask) -> bool:
    """Tell whether a session still holds for its account."""
    if session.replaced_at is not None and ask.now - session.replaced_at > REPLACED_LIVES:
        return False
    if ask.now - session.seen_at > IDLE or ask.now - session.begun_at > WHOLE:
        return False
    return session.account == account.name


def _refuse_who_left(site: Site, account: Account) -> None:
    """Refuse the account of somebody who is not in the settings of a hub any more.

    Of whose client they were stood there and nowhere else: now they would pass for the shop's own.
    """
    clients = site.terms.clients
    if clients is None or account.client or not account.person or clients.knows(account.person):
        return
    raise Refusal(
        403,
        f"The account {account.name} is that of {account.person}, who is not among the people in "
        "the settings any more. The shop can make another (midwatch account add).",
    )


def whose_account(site: Site, account: Account) -> str:
    """Give the client that an account belongs to, by itself or by its person; "" for none.

    An account that is said to be of one client while its person is of another is of the first:
    it sees nothing beyond that in any case.
    """
    return account.client or client_of(site, account.person)


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
        boxes=frozenset(account.boxes) or None,
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
