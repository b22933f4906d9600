"""Words of the command; real burn-ins are in tests/lab/test_prove_loops.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.state import command
from tests.recovery.test_proving import SIZE, curve, proof
from watcher.cli.exits import Exit
from watcher.cli.prove import say_progress
from watcher.recovery.proving import Phase, Warmth


@pytest.fixture
def config(tmp_path: Path) -> Path:
    made = tmp_path / "m.yaml"
    made.write_text(f"box_name: attic\nstate_directory: {tmp_path}/state\n")
    return made


@pytest.mark.parametrize(
    "words",
    [
        ("/dev/sdz",),
        ("/dev/sdz", "--id", "wwn-1"),
        ("/dev/sdz", "--serial", "X1"),
        ("/dev/sdz", "/dev/sdy", "--id", "wwn-1", "--serial", "X1"),
    ],
)
def test_a_device_without_id_and_serial_is_not_touched(
    config: Path, words: tuple[str, ...]
) -> None:
    status, text = command(config, "prove", *words)
    assert status == Exit.WRONG_WORDS
    assert "--id and its --serial" in text


def test_a_device_that_is_not_there_is_said(config: Path) -> None:
    words = ("/dev/no-such-drive", "--id", "a", "--serial", "b")
    status, text = command(config, "prove", *words)
    assert status == Exit.REFUSED
    assert "There is no device /dev/no-such-drive." in text


def test_the_help_says_that_it_erases(config: Path) -> None:
    assert "ERASES" in command(config, "prove", "--help")[1]


def test_progress_is_told_with_an_honest_time_left() -> None:
    half = proof(
        position=SIZE // 2,
        write=curve(0.5),
        warmth=(Warmth(phase=Phase.WRITE, done=0.5, celsius=41),),
        faults_count=2,
    )
    assert say_progress(half).startswith("writing, 50%, 2 faults, 41 °C, about 21 h ")
    assert say_progress(proof(phase=Phase.DONE)) == "done"
    assert say_progress(proof()).startswith("writing, 0%")
