"""The delivery process as a whole: it prints, reads its settings again, and ends with its input."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.lab.receivers import wait_until
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.service.left import Left
from watcher.service.message_id import message_id_of
from watcher.store.database import Store, open_store
from watcher.store.outbox import NewNotice, Notice, NoticeState

ROOT = Path(__file__).resolve().parents[2]
PEOPLE = "box_name: attic\npeople:\n  - name: ana\n    targets:\n"
TERMINAL = PEOPLE + "      - {name: screen, url: 'terminal://'}\n"
TWO = TERMINAL + "      - {name: other, url: 'terminal://'}\n"


@pytest.fixture(name="store")
def a_store(tmp_path: Path) -> Iterator[Store]:
    store = open_store(tmp_path / "s.db", now=datetime.now(UTC))
    yield store
    store.close()


def begin(folder: Path, settings: str, *, left: int | None = None) -> subprocess.Popen[str]:
    (folder / "midwatch.yaml").write_text(settings)
    return subprocess.Popen(
        [
            *(sys.executable, "-m", "watcher.service.delivery_main"),
            *("--store", str(folder / "s.db"), "--config", str(folder / "midwatch.yaml")),
            *(() if left is None else ("--left", str(left))),
        ],
        pass_fds=() if left is None else (left,),
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def put(store: Store, key: str, target: str) -> None:
    with store.transaction() as tx:
        tx.put_notices(
            [
                NewNotice(
                    key=key,
                    box=BoxId("attic"),
                    person="ana",
                    target=target,
                    urgency=Urgency.NOW,
                    title=f"title {key}",
                    body="bay 3",
                    created_at=datetime.now(UTC),
                )
            ]
        )


def state_of(store: Store, key: str) -> NoticeState:
    with store.snapshot() as tx:
        found: dict[str, Notice] = {n.key: n for n in tx.list_notices(BoxId("attic"))}
    return found[key].state


def say(process: subprocess.Popen[str], word: str) -> None:
    assert process.stdin is not None
    process.stdin.write(f"{word}\n")
    process.stdin.flush()


def test_a_message_is_printed_and_the_end_of_the_input_is_the_end(
    tmp_path: Path, store: Store
) -> None:
    process = begin(tmp_path, TERMINAL)
    put(store, "one", "ana/screen")
    assert wait_until(lambda: state_of(store, "one") is NoticeState.SENT, 20)
    output, errors = process.communicate(timeout=20)  # closes the input
    assert "title one\nbay 3\n" in output
    assert errors == ""
    assert process.returncode == 0


def test_what_has_left_is_said_with_the_id_that_the_receiver_saw(
    tmp_path: Path, store: Store
) -> None:
    hears, says = os.pipe()
    process = begin(tmp_path, TERMINAL, left=says)
    os.close(says)
    put(store, "one", "ana/screen")
    left = Left()
    with os.fdopen(hears, "rb") as pipe:
        left.hear(pipe.readline())
        process.communicate(timeout=20)
        assert pipe.read() == b"", "nobody else holds its end, and nothing is said twice"
    assert list(left.messages) == [message_id_of("one", "ana/screen")]
    assert state_of(store, "one") is NoticeState.SENT


def test_a_daemon_that_is_gone_does_not_keep_a_message_from_leaving(
    tmp_path: Path, store: Store
) -> None:
    hears, says = os.pipe()
    process = begin(tmp_path, TERMINAL, left=says)
    os.close(says)
    os.close(hears)
    put(store, "one", "ana/screen")
    assert wait_until(lambda: state_of(store, "one") is NoticeState.SENT, 20)
    output, errors = process.communicate(timeout=20)
    assert (process.returncode, errors) == (0, "")
    assert "title one" in output


def test_new_ways_are_read_when_told_and_broken_settings_leave_the_old(
    tmp_path: Path, store: Store
) -> None:
    process = begin(tmp_path, TERMINAL)
    put(store, "one", "ana/screen")
    assert wait_until(lambda: state_of(store, "one") is NoticeState.SENT, 20)
    (tmp_path / "midwatch.yaml").write_text(TWO)
    say(process, "reload")
    assert wait_until(lambda: _arrives(store, "ana/other"), 20)
    (tmp_path / "midwatch.yaml").write_text("nonsense: [")
    say(process, "reload")
    put(store, "three", "ana/other")
    say(process, "wake")
    assert wait_until(lambda: state_of(store, "three") is NoticeState.SENT, 20)
    process.communicate(timeout=20)
    assert process.returncode == 0


def _arrives(store: Store, target: str) -> bool:
    """Put one more message and see whether the way is known by now."""
    with store.snapshot() as tx:
        key = f"try-{len(tx.list_notices(BoxId('attic'), limit=1000))}"
    put(store, key, target)
    wait_until(lambda: state_of(store, key) in {NoticeState.SENT, NoticeState.GIVEN_UP}, 20)
    return state_of(store, key) is NoticeState.SENT


def test_it_ends_in_good_order_when_asked_to(tmp_path: Path, store: Store) -> None:
    process = begin(tmp_path, TERMINAL)
    put(store, "one", "ana/screen")
    assert wait_until(lambda: state_of(store, "one") is NoticeState.SENT, 20)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=20)
    assert process.returncode == 0


def test_with_broken_settings_it_does_not_begin_and_says_why(tmp_path: Path, store: Store) -> None:
    del store
    process = begin(tmp_path, "box_nam: attic")
    _, errors = process.communicate(timeout=20)
    assert process.returncode == 3
    assert "did you mean box_name?" in errors
