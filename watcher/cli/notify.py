"""``midwatch notify``: prove the ways to people, and list what was sent and what came of it."""

from __future__ import annotations

import threading

import click

from watcher.cli.columns import columns
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import Room, room_of, terminal_width
from watcher.cli.say import say
from watcher.cli.which_box import about_a_box
from watcher.facts.finding import Urgency
from watcher.notify.target import Target
from watcher.service.bootstrap import to_standing
from watcher.service.delivery_child import DeliveryChild, delivery_command
from watcher.service.settings import environment, usual_settings
from watcher.service.state import file_of
from watcher.store.outbox import NewNotice, Notice, NoticeState

ANSWER_SECONDS = 90.0
"""How long a test waits for its results: a way has its own time limit and is tried once here."""

_ERROR_LONGEST = 300
"""Characters of a way's error that are shown behind a test that failed; the words stay whole."""

_WORDS = {
    NoticeState.WAITING: "waits",
    NoticeState.SENDING: "is being sent",
    NoticeState.SENT: "arrived",
    NoticeState.GIVEN_UP: "given up",
    NoticeState.DROPPED: "not needed any more",
}


_TRIED_ONCE = "a test is tried once"


def _word(notice: Notice) -> str:
    """Say what came of a message; a test that failed is not tried again and did not arrive."""
    if notice.state is NoticeState.DROPPED and notice.last_error.endswith(_TRIED_ONCE):
        return "did not arrive"
    return _WORDS[notice.state]


@click.group()
def notify() -> None:
    """Prove the ways to people, and list what was sent and what came of it."""


def rungs_of(room: Room) -> list[tuple[str, tuple[str, ...]]]:
    """Give the rungs that a case of urgency now would climb, with the people on each."""
    policy = to_standing(room.config).policy
    ladders = [c.ladder for c in policy.ladders if Urgency.NOW in c.urgencies]
    if not ladders:
        return [("rung 1", tuple(person.name for person in policy.people))]
    return [(f"rung {n}", rung.people) for n, rung in enumerate(ladders[0].rungs, start=1)]


def notices_of_a_test(room: Room, targets: tuple[Target, ...]) -> list[NewNotice]:
    """Write a test message for every way, in the order of the ladder."""
    stamp = room.now.astimezone(room.zone)
    found = []
    seen = set()
    for rung, people in [*rungs_of(room), ("no rung", tuple(t.person for t in targets))]:
        for target in targets:
            if target.person not in people or target.key in seen:
                continue
            seen.add(target.key)
            found.append(
                NewNotice(
                    key=f"test/{room.now:%Y%m%dT%H%M%S.%f}",
                    box=room.box,
                    person=target.person,
                    target=target.key,
                    urgency=Urgency.NOTE,
                    title=f"TEST from {room.box}: nothing is wrong",
                    body=(
                        f"This is a test of the way “{target.name}” to {target.person} ({rung} of "
                        f"the ladder), sent at {stamp:%H:%M}.\n"
                        "When you read this, the way works. Nothing needs to be done."
                    ),
                    created_at=room.now,
                )
            )
    return found


@notify.command()
@click.pass_context
def test(context: click.Context) -> None:
    """Send a test message by every way, rung by rung, and say what came of each.

    Every message says that it is a test. The messages go through the same delivery as real ones.
    """
    with room_of(context, need_state=False) as room:
        targets = to_standing(room.config).targets
        away = tuple(target for target in targets if not target.is_terminal)
        if not away:
            raise Stop(
                "There is no way to anybody yet. Write a settings file (midwatch config init), "
                "and give a person a target; config/ has an example for each kind.",
                Exit.REFUSED,
            )
        notices = notices_of_a_test(room, away)
        with room.store.transaction() as tx:
            tx.put_notices(notices)
        _deliver(context, room, [(n.key, n.target) for n in notices])
        results = _results(room, {n.key for n in notices})
    rows = [
        [notice.person, notice.target.rpartition("/")[2], _word(notice), notice.last_error]
        for notice in results
    ]
    say("\n".join(columns(rows, total=terminal_width(), indent="")))
    failed = [notice for notice in results if notice.state is not NoticeState.SENT]
    if failed:
        raise Stop(
            f"{len(failed)} of {len(results)} did not arrive. Check the address of each in the "
            "settings; what came back is said above.",
            Exit.REFUSED,
        )
    say("Every way works as far as can be told from here. Look whether they arrived.")


def _results(room: Room, keys: set[str]) -> list[Notice]:
    """Give the messages of this test as they stand."""
    with room.store.snapshot() as tx:
        found = tx.list_notices(box=room.box, limit=500)
    return sorted((n for n in found if n.key in keys), key=lambda n: n.number)


def _deliver(context: click.Context, room: Room, wanted: list[tuple[str, str]]) -> None:
    """Have the messages sent: by the running watch, or by a delivery of our own."""
    command = delivery_command(file_of(room.config), usual_settings(context.obj))
    child = DeliveryChild(command, environment())
    pause = threading.Event()
    waited = 0.0
    try:
        child.ensure(0.0)
        child.wake()
        while waited < ANSWER_SECONDS:
            pause.wait(0.2)
            waited += 0.2
            results = _results(room, {key for key, _ in wanted})
            if len(results) == len(wanted) and all(
                n.state not in {NoticeState.WAITING, NoticeState.SENDING} or n.last_error
                for n in results
            ):
                break
    finally:
        child.stop()
    with room.store.transaction() as tx:
        for notice in tx.list_notices(box=room.box, limit=500):
            if notice.key in {key for key, _ in wanted} and notice.state is NoticeState.WAITING:
                why = notice.last_error[:_ERROR_LONGEST] or "it was not tried in time"
                tx.drop_notice(
                    notice.number, now=room.now, reason=f"{why.rstrip('.')}; {_TRIED_ONCE}"
                )


@notify.command()
@click.option(
    "--limit",
    type=click.IntRange(min=1),
    default=30,
    show_default=True,
    help="How many, newest first.",
)
@click.option("--text", "with_text", is_flag=True, help="Show the text of each message too.")
@about_a_box
@click.pass_context
def log(context: click.Context, limit: int, *, with_text: bool) -> None:
    """List the messages that were sent, and what came of each by each way.

    At a hub those of all boxes, unless one is named.
    """
    with room_of(context) as room:
        with room.store.snapshot() as tx:
            if room.at_hub and room.at is None:
                notices = tx.latest_notices(limit)
            else:
                notices = tx.list_notices(box=room.box, limit=limit)
        rows = [
            [
                room.say(notice.created_at),
                notice.target,
                _word(notice),
                f"{notice.title}" + (f" ({notice.last_error})" if notice.last_error else ""),
            ]
            for notice in notices
        ]
        table = columns(rows, total=terminal_width(), indent="")
        say("\n".join(table) or "No message was sent yet.")
        if with_text:
            for notice in notices:
                say(f"\n{room.say(notice.created_at)}  {notice.title}\n{notice.body}")
