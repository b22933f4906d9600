"""``midwatch account``: who may use the pages, other programs' tokens, and the keys of links."""

from __future__ import annotations

import secrets
import sys
from dataclasses import replace
from datetime import timedelta

import click
import segno

from watcher.cli.columns import columns
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import Room, room_of, terminal_width, until_of
from watcher.cli.say import say
from watcher.facts.identity import BoxId
from watcher.service.desk import KEY_BYTES
from watcher.store.accounts import Account, AuditLine, ProgramToken, Role
from watcher.store.transaction import Transaction
from watcher.web.manage import sees_words
from watcher.web.one_time import address_of, fingerprint, new_key
from watcher.web.passwords import LONGEST, fault_of, make_check

_ROLE = click.option(
    "--role",
    type=click.Choice([role.value for role in Role]),
    default=Role.LOOK.value,
    show_default=True,
    help="look: see; act: also answer cases and announce work; manage: also see who did what.",
)
_BOXES = click.option(
    "--box", "boxes", multiple=True, metavar="BOX", help="Only this box; may be repeated."
)

_CLIENT = click.option(
    "--client", default="", metavar="NAME", help="Of this client: sees its boxes and no others."
)


def _check_sight(room: Room, tx: Transaction, one: Account | ProgramToken, role: str) -> None:
    """Stop when nobody knows the client or a box, or a client's people would manage accounts."""
    enrolled = tx.enrolled_boxes()
    clients = {known.name for known in room.config.shop.clients} | {box.client for box in enrolled}
    if one.client and one.client not in clients:
        raise Stop(f"No client is called “{one.client}”.", Exit.NOT_FOUND)
    boxes = {room.box, *(known.box for known in tx.boxes()), *(known.box for known in enrolled)}
    if unknown := [box for box in one.boxes if box not in boxes]:
        raise Stop(f"No box is called “{unknown[0]}”.", Exit.NOT_FOUND)
    _check_role(room, one, role)


def _check_role(room: Room, one: Account | ProgramToken, role: str) -> None:
    """Stop when somebody of a client would manage accounts."""
    if _whose(room, one) and Role(role) is Role.MANAGE:
        raise Stop("Somebody of a client looks or acts; only the shop manages.", Exit.REFUSED)


def _whose(room: Room, one: Account | ProgramToken) -> str:
    """Give the client whose boxes an account or a token sees, "" for the shop's own."""
    person = one.person if isinstance(one, Account) else ""
    theirs = (client.name for client in room.config.shop.clients if person in client.people)
    return one.client or next(theirs, "")


def _note(tx: Transaction, room: Room, what: str, about: str) -> None:
    """Write into the audit trail what was done on the command line."""
    tx.add_audit(AuditLine(at=room.now, who="command line", address="", what=what, about=about))


def _account(tx: Transaction, name: str) -> Account:
    found = tx.account(name)
    if found is None:
        raise Stop(
            f"There is no account “{name}”. midwatch account list names them.", Exit.NOT_FOUND
        )
    return found


def _ask_password(name: str) -> str:
    """Ask for a new password, twice at a terminal and once where input is handed in."""
    given: str
    if sys.stdin.isatty():
        given = click.prompt(
            "Password", hide_input=True, confirmation_prompt=True, type=str, err=True
        )
    else:
        given = sys.stdin.readline().rstrip("\n")
        if not given:
            raise Stop(
                "No password came in. Run it at a terminal, or hand one line in.", Exit.WRONG_WORDS
            )
    fault = fault_of(given, name)
    if fault:
        raise Stop(fault, Exit.WRONG_WORDS)
    return given


@click.group()
def account() -> None:
    """Say who may use the pages. Without an account nobody gets in but by the link in a message."""


@account.command("add")
@click.argument("name")
@_ROLE
@_BOXES
@_CLIENT
@click.option("--person", default="", help="Who that is among the people who are told.")
@click.pass_context
def account_add(
    context: click.Context, name: str, role: str, boxes: tuple[str, ...], client: str, person: str
) -> None:
    """Make an account NAME; its password is asked for."""
    if not name.strip() or len(name) > LONGEST or not name.isprintable():
        raise Stop("A name is one line of letters.", Exit.WRONG_WORDS)
    with room_of(context) as room:
        with room.store.snapshot() as tx:
            if tx.account(name) is not None:
                raise Stop(f"There is an account “{name}” already.", Exit.REFUSED)
        known = {one.name for one in room.config.people}
        if person and person not in known:
            raise Stop(f"Nobody in the settings is called “{person}”.", Exit.NOT_FOUND)
        made = Account(
            name=name,
            role=Role(role),
            person=person or (name if name in known else ""),
            boxes=tuple(BoxId(box) for box in boxes),
            client=client,
            password="",
            made_at=room.now,
            changed_at=room.now,
        )
        with room.store.snapshot() as tx:
            _check_sight(room, tx, made, role)
        made = replace(made, password=make_check(_ask_password(name)))
        with room.store.transaction() as tx:
            tx.save_account(made)
            _note(tx, room, "made-account", f"{name}, {role}")
        sees = f", and sees {_sees(room, made)}" if room.at_hub else ""
        say(f"{name} can sign in now, with the role {role}{sees}.")


def _sees(room: Room, one: Account | ProgramToken) -> str:
    """Say which boxes an account or a token is for."""
    return sees_words(one.boxes, _whose(room, one))


@account.command("list")
@click.pass_context
def account_list(context: click.Context) -> None:
    """List accounts and tokens."""
    with room_of(context) as room, room.store.snapshot() as tx:
        rows = [
            [
                one.name,
                one.role.value,
                _sees(room, one),
                "with one-time codes" if one.code_key else "password only",
                f"since {room.say(one.made_at)}",
            ]
            for one in tx.accounts()
        ]
        rows += [
            [
                one.name,
                one.role.value,
                _sees(room, one),
                "a program's token",
                f"until {room.say(one.ends_at)}" if one.ends_at else "no end",
            ]
            for one in tx.tokens()
        ]
    say(
        "\n".join(columns(rows, total=terminal_width(), indent=""))
        or "There is no account and no token yet."
    )


@account.command("change")
@click.argument("name")
@click.option("--role", type=click.Choice([role.value for role in Role]), help="Another role.")
@click.option("--password", "password_too", is_flag=True, help="Ask for another password.")
@click.pass_context
def account_change(
    context: click.Context, name: str, role: str | None, *, password_too: bool
) -> None:
    """Give an account another role or password; its sessions end."""
    if role is None and not password_too:
        raise Stop("Say what to change: --role or --password.", Exit.WRONG_WORDS)
    with room_of(context) as room:
        check = make_check(_ask_password(name)) if password_too else ""
        with room.store.transaction() as tx:
            found = _account(tx, name)
            if role:
                _check_role(room, found, role)
            changed = replace(
                found,
                role=Role(role) if role else found.role,
                password=check or found.password,
                changed_at=room.now,
            )
            tx.save_account(changed)
            tx.end_sessions_of(name)
            _note(tx, room, "changed-account", name)
        say(f"{name} is changed, and signed out everywhere.")


@account.command("code")
@click.argument("name")
@click.option("--off", is_flag=True, help="Ask for no code any more.")
@click.pass_context
def account_code(context: click.Context, name: str, *, off: bool) -> None:
    """Ask for a one-time code at sign-in (RFC 6238); prints the QR code for the phone."""
    with room_of(context) as room:
        key = "" if off else new_key()
        with room.store.transaction() as tx:
            found = _account(tx, name)
            tx.save_account(replace(found, code_key=key, code_step=0, changed_at=room.now))
            tx.end_sessions_of(name)
            _note(tx, room, "code-off" if off else "code-on", name)
        if off:
            say(f"{name} signs in with the password alone.")
            return
        link = address_of(key, name, room.config.box_name or "box")
        segno.make(link, micro=False).terminal(compact=True)
        say(f"Or type this key into the app on the phone: {key}")
        say("From now on a code is asked for. It is shown once: scan it now.")


@account.command("remove")
@click.argument("name")
@click.pass_context
def account_remove(context: click.Context, name: str) -> None:
    """Remove an account or a token; it is signed out everywhere."""
    with room_of(context) as room, room.store.transaction() as tx:
        if not (tx.remove_account(name) or tx.remove_token(name)):
            raise Stop(f"There is no account or token “{name}”.", Exit.NOT_FOUND)
        _note(tx, room, "removed-account", name)
    say(f"{name} is removed.")


@account.command("token")
@click.argument("name")
@_ROLE
@_BOXES
@_CLIENT
@click.option(
    "--until",
    metavar="WHEN",
    default="",
    help="Until when it works: 90d, 2027-01-01 …; else no end.",
)
@click.pass_context
def account_token(
    context: click.Context, name: str, role: str, boxes: tuple[str, ...], client: str, until: str
) -> None:
    """Make a token for another program; it is printed once."""
    with room_of(context) as room:
        text = secrets.token_urlsafe(32)
        made = ProgramToken(
            name=name,
            hash=fingerprint(text),
            role=Role(role),
            boxes=tuple(BoxId(box) for box in boxes),
            client=client,
            made_at=room.now,
            ends_at=until_of(until, room) if until else None,
        )
        with room.store.transaction() as tx:
            if tx.token(name=name) is not None:
                raise Stop(f"There is a token “{name}” already.", Exit.REFUSED)
            _check_sight(room, tx, made, role)
            tx.save_token(made)
            _note(tx, room, "made-token", f"{name}, {role}")
        say(text)


@account.command("new-key")
@click.pass_context
def account_new_key(context: click.Context) -> None:
    """Begin to sign with a new key: every link that was sent before works no more."""
    with room_of(context) as room, room.store.transaction() as tx:
        tx.add_key(room.now, secrets.token_bytes(KEY_BYTES))
        tx.drop_old_keys()
        _note(tx, room, "new-signing-key", "")
    say("Links that were sent before work no more; the next message brings new ones.")


@account.command("audit")
@click.option("--days", default=30, show_default=True, help="How far back.")
@click.pass_context
def account_audit(context: click.Context, days: int) -> None:
    """Tell who did what over the pages and here."""
    with room_of(context) as room, room.store.snapshot() as tx:
        since = room.now - timedelta(days=min(days, 36500))
        rows = [
            [room.say(line.at), line.who, line.address, line.what.replace("-", " "),
             f"{line.about}{': ' if line.about else ''}{line.outcome}"]
            for line in tx.audit(limit=1000)
            if line.at >= since
        ]  # fmt: skip
    say("\n".join(columns(rows, total=terminal_width(), indent="")) or "Nothing yet.")
