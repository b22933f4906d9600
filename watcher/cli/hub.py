"""``midwatch hub``: the desk for many boxes, and what the shop does with them."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import click
import segno

from watcher.cli.backup import backup
from watcher.cli.box_words import case_words, heard, is_unheard, pool_words, token_words
from watcher.cli.columns import clean, columns
from watcher.cli.exits import Exit, Stop
from watcher.cli.hub_run import run_hub
from watcher.cli.month import written_month
from watcher.cli.pages import terms_of
from watcher.cli.parts import Room, parse_span, room_of, terminal_width
from watcher.cli.say import say
from watcher.cli.work import written
from watcher.facts.identity import BoxId
from watcher.facts.units import say_span
from watcher.hub.enrolment import invite
from watcher.hub.protection_time import month_named
from watcher.hub.shop import SECOND_SENDER_HOLDS
from watcher.hub.told_words import told_words
from watcher.service.bootstrap import load_to_begin
from watcher.service.settings import environment, usual_settings
from watcher.store.floor import PoolStanding
from watcher.store.hub import BoxState, EnrolledBox
from watcher.web.ask import Ask
from watcher.web.month_page import as_file
from watcher.web.month_page import gather as gather_month
from watcher.web.site import Site
from watcher.web.work_list import Kept, gather


@click.group(invoke_without_command=True)
@click.pass_context
def hub(context: click.Context) -> int:
    """Watch many boxes: take their surveys in, judge them, tell people. Stays until stopped.

    With the signal HUP it reads its settings and its certificate again.
    """
    if context.invoked_subcommand is not None:
        return int(Exit.DONE)
    path = usual_settings(context.obj)
    settings, doubts = load_to_begin(path, environment())
    if doubts:
        say(doubts)
    run_hub(path, settings)
    return int(Exit.DONE)


def _known_client(room: Room, name: str) -> None:
    """Stop when clients are known, and not this one."""
    known = [client.name for client in room.config.shop.clients]
    with room.store.snapshot() as tx:
        known += [box.client for box in tx.enrolled_boxes()] if known else []
    if known and name not in known:
        raise Stop(
            f"No client is called “{name}”; known are: {', '.join(dict.fromkeys(known))}.",
            Exit.NOT_FOUND,
        )


@hub.command("invite")
@click.option("--client", required=True, metavar="NAME", help="Whose box it is.")
@click.option("--box", default="", metavar="NAME", help="How the box is called here.")
@click.option("--for", "lives", default="3d", metavar="SPAN", help="How long the code is good.")
@click.option("--url", default="", metavar="URL", help="Where boxes reach this hub, for the QR.")
@click.pass_context
def invite_box(context: click.Context, client: str, box: str, lives: str, url: str) -> None:
    """Print a one-time code by which a box joins."""
    span = parse_span(lives)
    if span is None or not timedelta(0) < span <= LONGEST_INVITATION:
        raise Stop(f"“{lives}” is not a span up to 60d; write for instance 3d.", Exit.WRONG_WORDS)
    with room_of(context, need_state=False) as room:
        _known_client(room, client)
        with room.store.transaction() as tx:
            code = invite(tx, client, box, room.now, span)
        at = url or room.config.shop.url
        words = f"midwatch join {code} --hub {at or 'URL'}"
        if at:
            segno.make(words, error="m").terminal(compact=True)
        say(f"For a box of {client}, once, until {room.say(room.now + span)}:")
        click.echo(f"\n    {words}\n")
        if not at:
            say(
                "In the place of URL write the address at which boxes reach this hub, https://… "
                "With url: under shop: in the settings, or --url, it stands here by itself."
            )


@hub.command("invited")
@click.pass_context
def invited(context: click.Context) -> None:
    """List the codes that can still be used; the codes themselves are known to nobody here."""
    with room_of(context) as room, room.store.snapshot() as tx:
        rows = [
            [one.mark, one.client, one.box or "any box", f"until {room.say(one.ends_at)}"]
            for one in tx.open_invitations(room.now)
        ]
    say("\n".join(columns(rows, total=terminal_width(), indent="")) or "No code waits to be used.")


@hub.command("withdraw")
@click.argument("mark")
@click.pass_context
def withdraw(context: click.Context, mark: str) -> None:
    """Take the code with MARK back before it is used (midwatch hub invited lists them)."""
    with room_of(context) as room, room.store.transaction() as tx:
        found = [one for one in tx.open_invitations(room.now) if one.mark == mark]
        if not found:
            raise Stop(f"No code that can be used has the mark “{mark}”.", Exit.NOT_FOUND)
        for one in found:
            tx.withdraw_invitation(one.hash)
    say("That code works no more.")


@hub.command("box")
@click.argument("box")
@click.pass_context
def one_box(context: click.Context, box: str) -> None:
    """Tell how BOX is known here: whose it is, when it was heard of, how old its token is."""
    with room_of(context) as room, room.store.snapshot() as tx:
        found = _of_name(tx.enrolled(BoxId(box)), box)
        tokens = tx.tokens_of_box(found.box)
        told = tx.told_by(found.box)
        copied = tx.has_second_sender(found.box, room.now - SECOND_SENDER_HOLDS)
        rows = [
            ["client", found.client],
            ["joined", room.say(found.joined_at)],
            ["state", heard(found, room, has_token=bool(tokens))],
            ["reports", f"every {say_span(timedelta(seconds=found.every_seconds))}"],
            ["last address", found.address or "not known"],
            ["token", token_words(tokens, room)],
            ["asked for a look", "yes, with its next survey" if found.look_wanted else "no"],
            ["a second machine", "sends under its name, and is refused" if copied else "no"],
        ]
        if told is not None:
            rows += [list(line) for line in told_words(told, room.now, room.say)]
    say("\n".join(columns(rows, total=terminal_width(), indent="")))


@hub.command("renew")
@click.argument("box")
@click.pass_context
def renew_token(context: click.Context, box: str) -> None:
    """Let BOX replace its token with its next survey; the old one ends when the new one is used."""
    with room_of(context) as room, room.store.transaction() as tx:
        _of_name(tx.enrolled(BoxId(box)), box)
        if not tx.age_tokens(BoxId(box)):
            raise Stop(f"{box} has no token that it uses.", Exit.REFUSED)
    say(f"{box} is asked with the answer to its next survey to make itself a new token.")


@hub.command("boxes")
@click.pass_context
def boxes(context: click.Context) -> None:
    """List the boxes: whose they are, when they were heard of, how they stand, what is open."""
    with room_of(context) as room, room.store.snapshot() as tx:
        pools: dict[BoxId, list[PoolStanding]] = {}
        for pool in tx.pools_everywhere():
            pools.setdefault(pool.box, []).append(pool)
        cases, let_in = tx.case_counts(), tx.boxes_with_token()
        by_client: dict[str, list[list[str]]] = {}
        for box in tx.enrolled_boxes():
            is_in = box.box in let_in
            row = [
                box.box,
                heard(box, room, has_token=is_in),
                pool_words(pools.get(box.box, []), then=not is_in or is_unheard(box, room)),
                case_words(cases.get(box.box, {}) if box.state is BoxState.WATCHED else {}),
            ]
            by_client.setdefault(box.client, []).append(row)
    if not by_client:
        say("No box has joined yet: midwatch hub invite --client NAME")
        return
    say("\n\n".join(_of_client(*one, terminal_width()) for one in by_client.items()))


def _of_client(client: str, rows: list[list[str]], width: int) -> str:
    return "\n".join([clean(client) or "Nobody in particular", *columns(rows, total=width)])


@hub.command("work")
@click.pass_context
def work(context: click.Context) -> None:
    """List what needs the shop, over all clients.

    Cases by urgency and then by chance of loss, drives needed this month by size, boxes that are
    not ready for the next failure, and what falls due within two weeks.
    """
    with room_of(context) as room:
        site = Site(
            store=room.store, terms=terms_of(room.config, at_hub=True), now=lambda: room.now
        )
        with room.store.snapshot() as tx:
            found = gather(site, tx, room.now, kept=Kept())
        for line in written(found, room, terminal_width()):
            say(line)


@hub.command("month")
@click.option("--client", required=True, metavar="NAME", help="Whose month.")
@click.option(
    "--month", "named", default="", metavar="YYYY-MM", help="Which; else the last one that is over."
)
@click.option(
    "--page",
    metavar="FILE",
    type=click.Path(readable=False),
    help="Write it as a page to print, in one file.",
)
@click.pass_context
def month(context: click.Context, client: str, named: str, page: str | None) -> None:
    """Report a client's month.

    How long the pools stood how, what happened, what was done, how prepared the boxes are, and
    what was not seen.
    """
    with room_of(context) as room:
        _known_client(room, client)
        wanted = month_named(named, room.now, room.zone)
        if wanted is None:
            raise Stop(
                f"“{named}” is no month that has begun. Write it as 2026-10.", Exit.WRONG_WORDS
            )
        site = Site(
            store=room.store, terms=terms_of(room.config, at_hub=True), now=lambda: room.now
        )
        ask = Ask(method="GET", path="", now=room.now)
        with room.store.snapshot() as tx:
            report = gather_month(site, tx, client, wanted, ask)
        if page is None:
            for line in written_month(report, room, terminal_width()):
                say(line)
            return
        try:
            Path(page).write_bytes(as_file(site, ask, report))
        except OSError as error:
            raise Stop(f"{page} cannot be written ({error.strerror}).", Exit.REFUSED) from error
        say(f"The month of {client} is in {page}; open it and print it.")


@hub.command("revoke")
@click.argument("box")
@click.pass_context
def revoke(context: click.Context, box: str) -> None:
    """Take nothing from BOX any more until it joins with a new code."""
    with room_of(context) as room, room.store.transaction() as tx:
        _of_name(tx.enrolled(BoxId(box)), box)
        tx.revoke_box(BoxId(box))
    say(f"Nothing is taken from {box} any more. Its history stays.")


@hub.command("return")
@click.argument("box")
@click.pass_context
def give_back(context: click.Context, box: str) -> None:
    """Give BOX back to its owner: nothing is expected of it any more, its past is kept."""
    with room_of(context) as room, room.store.transaction() as tx:
        _of_name(tx.enrolled(BoxId(box)), box)
        tx.set_box_state(BoxId(box), BoxState.RETURNED, room.now)
    say(f"{box} is at rest: it may be quiet, and its history stays.")


@hub.command("look")
@click.argument("box")
@click.pass_context
def look_at(context: click.Context, box: str) -> None:
    """Ask BOX for a new survey when it reports next; that is all a hub can ask of a box."""
    with room_of(context) as room, room.store.transaction() as tx:
        _of_name(tx.enrolled(BoxId(box)), box)
        tx.want_look(BoxId(box))
    say(f"{box} is asked with the answer to its next survey.")


LONGEST_INVITATION = timedelta(days=60)
"""How long a code may be good. Our choice: longer than a box is on its way."""


def _of_name(found: EnrolledBox | None, name: str) -> EnrolledBox:
    if found is None:
        raise Stop(f"No box is called “{name}”: midwatch hub boxes", Exit.NOT_FOUND)
    return found


hub.add_command(backup)
