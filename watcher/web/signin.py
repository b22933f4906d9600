"""Signing in and out, and changing one's password."""

from __future__ import annotations

from dataclasses import replace

from watcher.store.accounts import Account
from watcher.web.ask import Ask, Refusal, Reply, go_to
from watcher.web.holders import begin_session, cookie_for, cookie_name, too_often
from watcher.web.one_time import fingerprint, step_of
from watcher.web.passwords import NOBODY, fault_of, is_right, make_check
from watcher.web.site import Site, draw
from watcher.web.words import local_path

ANYONE = "anyone"
"""What the form of somebody who is not known yet is tied to."""

_WRONG = "Name, password or code are not right."


def form(site: Site, ask: Ask) -> Reply:
    """Show the form; it tells nothing about who has an account."""
    return _form(site, ask, "", ask.query.get("next", ""))


def _form(site: Site, ask: Ask, fault: str, then: str, status: int = 200) -> Reply:
    with site.store.snapshot() as tx:
        none_yet = not tx.accounts()
    words = {
        "fault": fault,
        "then": local_path(then),
        "none_yet": none_yet,
        "open_ticket": site.ticket(ANYONE, ask.now),
    }
    return draw(site, ask, "signin.html", words, status=status)


def enter(site: Site, ask: Ask) -> Reply:
    """Sign somebody in when name, password and code are right."""
    name, password = ask.field("name"), ask.form.get("password", ("",))[0]
    then = local_path(ask.field("next"))
    wait = site.tries.wait_for(name, ask.address, ask.now)
    if wait is not None:
        raise too_often(wait)
    with site.store.snapshot() as tx:
        account = tx.account(name)
    right = is_right(password, account.password if account else NOBODY)
    if account is None or not right or not _code_fits(site, account, ask):
        site.tries.failed(name, ask.address, ask.now)
        # A name that is none may be a password in the wrong field: it is not written down.
        site.audit(ask, "sign-in-refused", who=account.name if account else "an unknown name")
        return _form(site, ask, _WRONG, then, status=403)
    site.tries.succeeded(name)
    with site.store.transaction() as tx:
        fresh = begin_session(tx, account, ask)
    site.audit(ask, "signed-in", who=account.name)
    return go_to(then, cookie_for(site, fresh))


def _code_fits(site: Site, account: Account, ask: Ask) -> bool:
    """Tell whether the one-time code is right and fresh; True where none is asked for."""
    if not account.code_key:
        return True
    step = step_of(ask.field("code"), account.code_key, ask.now)
    if step is None:
        return False
    with site.store.transaction() as tx:
        return tx.use_code(account.name, step)


def leave(site: Site, ask: Ask) -> Reply:
    """Sign out."""
    with site.store.transaction() as tx:
        tx.end_session(ask.who.session)
        tx.end_session(fingerprint(ask.cookies.get(cookie_name(site), "")))  # its name before
    site.audit(ask, "signed-out")
    return go_to("/sign-in", cookie_for(site, ""))


def mine(site: Site, ask: Ask) -> Reply:
    """Show one's own account."""
    return _mine(site, ask, "")


def _mine(site: Site, ask: Ask, fault: str, status: int = 200) -> Reply:
    with site.store.snapshot() as tx:
        account = tx.account(ask.who.name)
        sessions = tx.sessions_of(ask.who.name)
    words = {
        "account": account,
        "sessions": sessions,
        "here": ask.who.session,
        "fault": fault,
    }
    return draw(site, ask, "mine.html", words, status=status)


def change_password(site: Site, ask: Ask) -> Reply:
    """Change one's own password; every other session ends."""
    old, new = (ask.form.get(name, ("",))[0] for name in ("old", "new"))
    wait = site.tries.wait_for(ask.who.name, ask.address, ask.now)
    if wait is not None:
        raise too_often(wait)
    with site.store.snapshot() as tx:
        account = tx.account(ask.who.name)
    if account is None or not is_right(old, account.password):
        site.tries.failed(ask.who.name, ask.address, ask.now)
        return _mine(site, ask, "The present password is not right.", 403)
    fault = fault_of(new, account.name)
    if fault:
        return _mine(site, ask, fault, 422)
    made = make_check(new)
    with site.store.transaction() as tx:
        now = tx.account(account.name)
        if now is None:
            raise Refusal(404, "This account is gone.")
        tx.save_account(replace(now, password=made, changed_at=ask.now))
        tx.end_sessions_of(account.name)
        fresh = begin_session(tx, account, ask)
    site.audit(ask, "changed-password")
    return go_to("/me?done=password", cookie_for(site, fresh))


def end_others(site: Site, ask: Ask) -> Reply:
    """End one's own sessions but this one."""
    with site.store.transaction() as tx:
        for session in tx.sessions_of(ask.who.name):
            if session.hash != ask.who.session:
                tx.end_session(session.hash)
    site.audit(ask, "ended-sessions", about=ask.who.name)
    return go_to("/me?done=sessions")
