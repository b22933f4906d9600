"""``python -m tests.bench`` knows every bench and says which it knows."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.__main__ import benches, main


def test_every_bench_that_measures_is_run() -> None:
    found = benches()
    assert {"drive_poll", "exposure", "kernel_speed", "signs", "store"} <= set(found)
    assert "fit_signs" not in found
    assert all((Path(__file__).parent / f"{name}.py").exists() for name in found)


def test_a_name_that_is_none_is_refused_with_the_list(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sunshine"]) == 2
    assert "drive_poll" in capsys.readouterr().out
