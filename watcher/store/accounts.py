"""Who may use the pages: accounts, sessions, tokens, the audit trail.

Nothing here can be used to sign in by itself: passwords are kept as their checks, session names
and tokens as their hashes. The keys of one-time codes are secrets and are what they are; the file
of the store is readable by its owner only.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from watcher.facts.checks import require_utc
from watcher.facts.identity import BoxId
from watcher.store.codec import clean, making_sense
from watcher.store.connection import Values
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import from_micros, from_micros_or_none, to_micros, to_micros_or_none

MOST_AUDIT_LINES = 100_000
"""Older lines of the audit trail are dropped; our choice: some 15 MiB, years of use."""

REPLACED_LIVES = timedelta(minutes=1)
"""How long a session that was renewed is known under its old name; our choice: pages that were
asked for at the same moment."""


class Role(StrEnum):
    """What an account may do; each includes those before it."""

    LOOK = "look"  # see
    ACT = "act"  # answer cases, keep things quiet, announce work
    MANAGE = "manage"  # see who did what, end sessions

    def covers(self, other: Role) -> bool:
        """Tell whether this role may do what the other may."""
        order = list(Role)
        return order.index(self) >= order.index(other)


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """Somebody who can sign in."""

    name: str
    role: Role
    person: str = ""  # who that is among the people who are told; "" when nobody
    boxes: tuple[BoxId, ...] = ()  # the boxes that may be seen; empty: all
    client: str = ""  # the client whose boxes may be seen, and no others; "": of no client
    password: str = field(repr=False)  # the check of a password, as ``web.passwords`` makes it
    code_key: str = field(default="", repr=False)  # of one-time codes (RFC 6238); "": none asked
    code_step: int = 0  # the step of the last one-time code that was used
    made_at: datetime
    changed_at: datetime

    def __post_init__(self) -> None:
        """Check the times and that there is a name."""
        require_utc(self.made_at, "made_at")
        require_utc(self.changed_at, "changed_at")
        if not self.name:
            raise ValueError("an account needs a name")


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A browser that is signed in."""

    hash: str  # of what its cookie holds
    account: str
    begun_at: datetime
    renewed_at: datetime  # when it got this name
    seen_at: datetime
    address: str
    replaced_at: datetime | None = None  # since when it goes on under another name


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgramToken:
    """What another program shows to be let in."""

    name: str
    hash: str
    role: Role
    boxes: tuple[BoxId, ...] = ()
    client: str = ""  # as with an account
    made_at: datetime
    ends_at: datetime | None = None  # None: it does not end by itself


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditLine:
    """One thing that somebody did, or tried to do."""

    at: datetime
    who: str
    address: str
    what: str  # kebab-case: "signed-in", "took-case", …
    about: str = ""
    outcome: str = "done"  # or why not


class AccountsPart(Part):
    """Keep accounts and what belongs to them."""

    def account(self, name: str) -> Account | None:
        """Give an account, or None."""
        row = self.db.one(statements("accounts")["one-account"], {"name": name})
        return None if row is None else _account(row)

    def accounts(self) -> tuple[Account, ...]:
        """Give all accounts by name."""
        return tuple(_account(r) for r in self.db.rows(statements("accounts")["every-account"]))

    def save_account(self, account: Account) -> None:
        """Make an account or change it."""
        self.told_or_said()
        self.db.change(
            statements("accounts")["save-account"],
            {
                "name": clean(account.name),
                "role": account.role.value,
                "person": clean(account.person),
                "boxes": json.dumps(account.boxes),
                "client": clean(account.client),
                "password": account.password,
                "code_key": account.code_key,
                "code_step": account.code_step,
                "made_at": to_micros(account.made_at),
                "changed_at": to_micros(account.changed_at),
            },
        )

    def use_code(self, name: str, step: int) -> bool:
        """Use up the one-time codes of an account up to a step; False when that one was used."""
        self.told_or_said()
        values: Values = {"name": name, "step": step}
        return self.db.change(statements("accounts")["use-code"], values) > 0

    def remove_account(self, name: str) -> bool:
        """Remove an account and end its sessions; False when there is none."""
        self.told_or_said()
        self.end_sessions_of(name)
        return self.db.change(statements("accounts")["remove-account"], {"name": name}) > 0

    def begin_session(self, session: Session) -> None:
        """Begin a session."""
        self.told_or_said()
        self.db.change(
            statements("accounts")["save-session"],
            {
                "hash": session.hash,
                "account": session.account,
                "begun_at": to_micros(session.begun_at),
                "renewed_at": to_micros(session.renewed_at),
                "seen_at": to_micros(session.seen_at),
                "address": clean(session.address),
            },
        )

    def session(self, hashed: str) -> Session | None:
        """Give a session by the hash of its cookie, or None."""
        row = self.db.one(statements("accounts")["one-session"], {"hash": hashed})
        return None if row is None else _session(row)

    def sessions_of(self, account: str) -> tuple[Session, ...]:
        """Give the sessions of an account, the latest seen first."""
        rows = self.db.rows(statements("accounts")["sessions-of"], {"account": account})
        return tuple(_session(row) for row in rows)

    def session_seen(self, hashed: str, now: datetime) -> None:
        """Note that a session was used."""
        values: Values = {"hash": hashed, "seen_at": to_micros(now)}
        self.db.change(statements("accounts")["session-seen"], values)

    def replace_session(self, old: Session, new_hash: str, now: datetime) -> bool:
        """Let a session go on under a new name; False when that was done by somebody else."""
        values: Values = {"hash": old.hash, "at": to_micros(now)}
        if self.db.change(statements("accounts")["session-replaced"], values) == 0:
            return False
        self.begin_session(
            Session(
                hash=new_hash,
                account=old.account,
                begun_at=old.begun_at,
                renewed_at=now,
                seen_at=now,
                address=old.address,
            )
        )
        return True

    def end_session(self, hashed: str) -> None:
        """End a session."""
        self.told_or_said()
        self.db.change(statements("accounts")["end-session"], {"hash": hashed})

    def end_sessions_of(self, account: str) -> int:
        """End all sessions of an account; give how many."""
        self.told_or_said()
        return self.db.change(statements("accounts")["end-sessions-of"], {"account": account})

    def end_old_sessions(self, *, begun_before: datetime, seen_before: datetime) -> None:
        """Forget sessions that began or were seen last before a moment."""
        self.db.change(
            statements("accounts")["end-old-sessions"],
            {
                "begun": to_micros(begun_before),
                "seen": to_micros(seen_before),
                "replaced": to_micros(seen_before),
            },
        )

    def save_token(self, token: ProgramToken) -> None:
        """Make a token of another program."""
        self.told_or_said()
        self.db.change(
            statements("accounts")["save-token"],
            {
                "name": clean(token.name),
                "hash": token.hash,
                "role": token.role.value,
                "boxes": json.dumps(token.boxes),
                "client": clean(token.client),
                "made_at": to_micros(token.made_at),
                "ends_at": to_micros_or_none(token.ends_at),
            },
        )

    def token(self, *, hashed: str = "", name: str = "") -> ProgramToken | None:
        """Give a token by its hash or its name, or None."""
        sql = statements("accounts")
        if hashed:
            row = self.db.one(sql["token-by-hash"], {"hash": hashed})
        else:
            row = self.db.one(sql["token-by-name"], {"name": name})
        return None if row is None else _token(row)

    def tokens(self) -> tuple[ProgramToken, ...]:
        """Give all tokens by name."""
        return tuple(_token(row) for row in self.db.rows(statements("accounts")["every-token"]))

    def remove_token(self, name: str) -> bool:
        """Remove a token; False when there is none."""
        self.told_or_said()
        return self.db.change(statements("accounts")["remove-token"], {"name": name}) > 0

    def add_audit(self, line: AuditLine) -> None:
        """Write a line into the audit trail."""
        sql = statements("accounts")
        self.told_or_said()
        self.db.change(
            sql["add-audit"],
            {
                "at": to_micros(line.at),
                "who": clean(line.who)[:100],
                "address": clean(line.address)[:100],
                "what": line.what,
                "about": clean(line.about)[:500],
                "outcome": clean(line.outcome)[:500],
            },
        )
        self.db.change(sql["drop-audit"], {"most": MOST_AUDIT_LINES})

    def audit(self, *, limit: int = 200) -> tuple[AuditLine, ...]:
        """Give the audit trail, newest first."""
        rows = self.db.rows(statements("accounts")["last-audit"], {"limit": limit})
        return tuple(
            AuditLine(
                at=from_micros(row["at"]),
                who=row["who"],
                address=row["address"],
                what=row["what"],
                about=row["about"],
                outcome=row["outcome"],
            )
            for row in rows
        )


def _account(row: Any) -> Account:  # noqa: ANN401 - a row
    with making_sense("an account"):
        return Account(
            name=row["name"],
            role=Role(row["role"]),
            person=row["person"],
            boxes=_boxes(row["boxes"]),
            client=row["client"],
            password=row["password"],
            code_key=row["code_key"],
            code_step=row["code_step"],
            made_at=from_micros(row["made_at"]),
            changed_at=from_micros(row["changed_at"]),
        )


def _boxes(text: str) -> tuple[BoxId, ...]:
    found = json.loads(text)
    if not isinstance(found, list) or not all(isinstance(name, str) for name in found):
        raise ValueError("the boxes of an account are a list of names")
    return tuple(BoxId(name) for name in found)


def _session(row: Any) -> Session:  # noqa: ANN401 - a row
    with making_sense("a session"):
        return Session(
            hash=row["hash"],
            account=row["account"],
            begun_at=from_micros(row["begun_at"]),
            renewed_at=from_micros(row["renewed_at"]),
            seen_at=from_micros(row["seen_at"]),
            address=row["address"],
            replaced_at=from_micros_or_none(row["replaced_at"]),
        )


def _token(row: Any) -> ProgramToken:  # noqa: ANN401 - a row
    with making_sense("a token"):
        return ProgramToken(
            name=row["name"],
            hash=row["hash"],
            role=Role(row["role"]),
            boxes=_boxes(row["boxes"]),
            client=row["client"],
            made_at=from_micros(row["made_at"]),
            ends_at=from_micros_or_none(row["ends_at"]),
        )
