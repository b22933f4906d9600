"""The desk's end of the reader: what it sees, or that it is blind; never silence."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.service.half_world import BOX, NOW, SOON, running
from watcher.demo.story import new_box, people
from watcher.exposure.window import WindowPlan
from watcher.facts.drive import Unread
from watcher.facts.identity import BoxId
from watcher.facts.survey import READER
from watcher.readers.discovery import SOURCE as DISCOVERY
from watcher.readers.kernel_log import SOURCE as KERNEL_LOG
from watcher.readers.kernel_log import Position
from watcher.readers.pools import btrfs, declared, file_parity, lvm, md, zfs
from watcher.readers.survey import BLOCK_DEVICES, Looking, Surveyor
from watcher.readers.taken import Taken
from watcher.rules.tuning import UNTUNED
from watcher.service import half_reader
from watcher.service.desk import Desk, Standing
from watcher.service.half_words import Busy, Done, Ring, write_answer
from watcher.service.halves import (
    AGAIN_SECONDS,
    DECLARED,
    SOURCES,
    Limits,
    Line,
    RemoteBell,
    RemoteSurveyor,
)
from watcher.store.database import Store, open_memory

STANDING = Standing(box=BOX, policy=people(), tuning=UNTUNED, targets=(), plan=WindowPlan())
AT = Position(source="journal", cursor="s=0")


OPEN: list[RemoteSurveyor | RemoteBell] = []


@pytest.fixture(autouse=True)
def _hang_up() -> Iterator[None]:
    yield
    while OPEN:
        OPEN.pop().close()


def eyes_at(line: Line, box: BoxId, limits: Limits | None = None) -> RemoteSurveyor:
    OPEN.append(eyes := RemoteSurveyor(line, box, limits=limits))
    return eyes


def bell_at(line: Line, said: list[str]) -> RemoteBell:
    OPEN.append(bell := RemoteBell(line, said.append))
    return bell


def why(taken: Taken) -> set[Unread]:
    """Say why the sources were unseen; and hold that all of them were, and none answered."""
    assert tuple(b.source for b in taken.survey.blind) == (READER, *SOURCES)
    assert taken.survey.answered == ()
    assert taken.survey.pools == ()
    assert taken.position == AT  # nothing of the log is passed over
    assert all(b.detail and b.remedy for b in taken.survey.blind)
    return {b.why for b in taken.survey.blind}


def test_the_sources_are_those_of_the_readers() -> None:
    assert set(SOURCES) == {
        BLOCK_DEVICES,
        DISCOVERY,
        md.SOURCE,
        lvm.SOURCE,
        zfs.SOURCE,
        btrfs.SOURCE,
        file_parity.SOURCE,
        KERNEL_LOG,
    }
    assert declared.SOURCE == DECLARED


def test_what_the_reader_saw_arrives_whole(tmp_path: Path) -> None:
    """A whole box, through the socket, is the same as looked at from here."""
    box = new_box()
    here = Surveyor(box, Looking(box=BOX)).take("s", box.now, deep=True)
    with running(tmp_path / "r") as reader:
        reader.eyes.take = Surveyor(box, Looking(box=BOX)).take  # type: ignore[method-assign]
        there = eyes_at(reader.line, BOX).take("s", box.now)
    answered = (*here.survey.answered, READER)
    assert there == replace(here, survey=replace(here.survey, answered=answered))


def test_a_new_reader_is_told_the_pools_and_a_known_one_is_not(tmp_path: Path) -> None:
    """It looks deep at once, for nobody can tell it what drives said on their slow pages."""
    box = new_box()
    pools = Surveyor(box, Looking(box=BOX)).take("s", box.now).survey.pools
    with running(tmp_path / "r") as reader:
        reader.eyes.pools = pools
        eyes = eyes_at(reader.line, BOX, limits=SOON)
        eyes.take("a", NOW)
        eyes.take("b", NOW)
        assert reader.eyes.remembered == [()]
        reader.stop()
        reader.start()  # a restart between two looks blinds nobody
        assert eyes.take("c", NOW).survey.answered == ("md", READER)
        assert reader.eyes.remembered == [(), pools]
        assert [deep for _, _, deep in reader.eyes.asked] == [True, False, True]


def test_no_reader_is_blindness(tmp_path: Path) -> None:
    eyes = eyes_at(Line(path=str(tmp_path / "none"), users=frozenset({0})), BOX)
    assert why(eyes.take("a", NOW, position=AT)) == {Unread.VANISHED}


def test_a_reader_that_hangs_is_blindness_and_a_slow_one_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with running(tmp_path / "r") as reader:
        eyes = eyes_at(reader.line, BOX, limits=SOON)
        reader.eyes.go_on.clear()  # says "busy" only after five seconds
        assert why(eyes.take("a", NOW, position=AT)) == {Unread.HUNG}
        reader.eyes.go_on.set()
        monkeypatch.setattr(half_reader, "BUSY_EVERY_SECONDS", 0.05)
        reader.eyes.go_on.clear()
        reader.eyes.begun.clear()
        release = threading.Timer(0.5, reader.eyes.go_on.set)  # longer than the quiet allowed
        release.start()
        assert eyes.take("b", NOW).survey.answered == ("md", READER)


def test_a_reader_that_looks_for_ever_is_blindness_in_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(half_reader, "BUSY_EVERY_SECONDS", 0.05)
    with running(tmp_path / "r") as reader:
        reader.eyes.go_on.clear()
        eyes = eyes_at(reader.line, BOX, limits=SOON)
        assert why(eyes.take("a", NOW, position=AT)) == {Unread.HUNG}


def test_a_fault_in_the_reader_is_blindness_with_its_words(tmp_path: Path) -> None:
    with running(tmp_path / "r") as reader:
        reader.eyes.fault = RuntimeError("odd thing")
        taken = eyes_at(reader.line, BOX).take("a", NOW, position=AT)
        assert why(taken) == {Unread.GARBLED}
        assert "odd thing" in taken.survey.blind[0].detail


def test_a_survey_of_another_box_is_not_taken_for_ours(tmp_path: Path) -> None:
    with running(tmp_path / "r") as reader:
        reader.eyes.box = BoxId("cellar")
        assert why(eyes_at(reader.line, BOX).take("a", NOW, position=AT)) == {Unread.GARBLED}


def test_a_survey_of_another_moment_is_not_taken_for_this_one(tmp_path: Path) -> None:
    with running(tmp_path / "r") as reader:
        real = reader.eyes.take
        reader.eyes.take = (  # type: ignore[method-assign]
            lambda survey, now, **words: real(survey, now - timedelta(hours=1), **words)
        )
        assert why(eyes_at(reader.line, BOX).take("a", NOW, position=AT)) == {Unread.GARBLED}


def test_whoever_listens_there_must_be_the_reader(tmp_path: Path) -> None:
    with running(tmp_path / "r") as reader:
        line = Line(path=str(reader.path), users=frozenset({os.geteuid() + 1}))
        assert why(eyes_at(line, BOX).take("a", NOW, position=AT)) == {Unread.GARBLED}
        assert reader.eyes.asked == []


@pytest.mark.parametrize(
    "said", [b"", b"\0\0\0\5hello", b"\xff" * 8, write_answer(Ring()), write_answer(Done())]
)
def test_whatever_else_is_said_is_blindness(tmp_path: Path, said: bytes) -> None:
    with impostor(tmp_path / "r", said) as line:
        assert why(eyes_at(line, BOX, limits=SOON).take("a", NOW, position=AT)) <= {
            Unread.GARBLED,
            Unread.VANISHED,
            Unread.HUNG,
        }


def test_new_settings_are_passed_on_and_their_refusal_is_a_doubt(tmp_path: Path) -> None:
    with running(tmp_path / "r") as reader:
        eyes = eyes_at(reader.line, BOX)
        eyes.reload(BOX)
        assert eyes.take("a", NOW).survey.doubts == ()
        reader.settings_fault = "line 3: no"
        eyes.reload(BOX)
        assert "line 3: no" in eyes.take("b", NOW).survey.doubts[0]
        assert eyes.take("c", NOW).survey.doubts == ()
        assert reader.reloads == 2


def test_no_case_closes_while_the_reader_is_gone(tmp_path: Path) -> None:
    """What was open stays open, the blindness is told, and no drive is called gone."""
    box = new_box()
    eyes = Surveyor(box, Looking(box=BOX))
    nobody = eyes_at(Line(path=str(tmp_path / "none"), users=frozenset()), BOX)
    with open_memory(now=box.now) as store:
        desk = Desk(store, STANDING)
        for number in range(3):
            if number == 1:
                box.pull("e")
            desk.take_in(eyes.take(f"see {number}", box.now).survey, box.now)
            box.pass_time(timedelta(minutes=10))
        before = open_cases(store)
        for number in range(20):  # more than three hours
            outcome = desk.take_in(nobody.take(f"blind {number}", box.now).survey, box.now)
            box.pass_time(timedelta(minutes=10))
        after = open_cases(store)
    rules = [f.rule for f in outcome.findings]
    assert before
    assert before < after  # those that were open, and the blindness
    assert set(rules) == {"cannot-see-source"}


def open_cases(store: Store) -> set[int]:
    with store.snapshot() as tx:
        return {case.number for case in tx.list_cases(BOX) if case.closed_at is None}


def test_the_bell_rings_once_for_a_ring_and_is_not_asked_too_often_without_a_reader(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(half_reader, "LISTEN_SECONDS", 0.02)
    said: list[str] = []
    with running(tmp_path / "r") as reader:
        bell = bell_at(reader.line, said)
        assert not bell.rings(0.0)
        reader.grave.set()
        assert until(lambda: bell.rings(1.0))
        assert not bell.rings(2.0)
    assert until(lambda: not bell.rings(3.0))
    bell.close()
    assert not bell.rings(AGAIN_SECONDS - 1)
    assert said == []


def test_a_bell_that_says_odd_things_is_hung_up_on(tmp_path: Path) -> None:
    said: list[str] = []
    with impostor(tmp_path / "r", write_answer(Busy())) as line:
        bell = bell_at(line, said)
        assert until(lambda: bell.rings(0.0) or bool(said))
    assert "busy is no ring" in said[0]


# -- somebody else at the socket


class impostor:  # noqa: N801 - reads as a phrase
    """Listens and says one thing to whoever calls."""

    def __init__(self, path: Path, said: bytes) -> None:
        self._sock = socket.socket(socket.AF_UNIX)
        self._sock.bind(str(path))
        self._sock.listen(4)
        self._said = said
        self._line = Line(path=str(path), users=frozenset({os.geteuid()}))
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        try:
            caller, _ = self._sock.accept()
        except OSError:
            return
        with caller:
            caller.sendall(self._said)
            caller.recv(4096)
            self._gone.wait(2)

    _gone = threading.Event()

    def __enter__(self) -> Line:
        return self._line

    def __exit__(self, *_: object) -> None:
        self._sock.close()


def until(holds: Callable[[], bool]) -> bool:
    """Ask again and again for five seconds."""
    pause = threading.Event()
    for _ in range(500):
        if holds():
            return True
        pause.wait(0.01)
    return False
