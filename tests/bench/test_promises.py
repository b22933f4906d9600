"""The table of promises tells what was measured, and two runs are compared fairly."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

import tests.bench.__main__ as bench
from tests.bench.__main__ import drawing, line
from tests.bench.compare import changes
from tests.bench.promises import BY_HAND, PROBES
from tests.bench.row import Absent, Row

GOOD = Row(name="a", value=1.0, unit="s", most=2, bare=0.5, bare_is="dd")


def test_every_bench_is_in_the_table_or_said_to_be_run_by_hand() -> None:
    folder = Path(__file__).parent
    own = {"promises", "promises_long", "row", "compare", "__main__", "sign_data", "hub_door"}
    names = {path.stem for path in folder.glob("*.py") if not path.name.startswith("test_")} - own
    parts = ("promises.py", "promises_long.py")
    code = "".join((folder / part).read_text(encoding="utf-8") for part in parts)
    by_hand = " ".join(BY_HAND)
    assert [
        name for name in names if f"tests.bench.{name} " not in code and name not in by_hand
    ] == []
    assert PROBES


def test_a_missed_target_is_said_in_table_and_drawing() -> None:
    bad = Row(name="b", value=90.0, unit="%", least=95)
    none = Row(name="c", value=3.0, unit="s")
    assert (GOOD.is_met, bad.is_met, none.is_met) == (True, False, None)
    assert "2.00 × dd" in line(GOOD)
    assert "MISSED" in line(bad)
    assert "met" not in line(none)
    bars = ET.fromstring(drawing([GOOD, bad, none])).findall("{http://www.w3.org/2000/svg}rect")  # noqa: S314
    assert len(bars) == 2


def test_one_probe_that_fails_or_lacks_something_ends_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What it is doing and how long it still takes is said; all that was measured is written."""

    def lacks() -> list[Row]:
        raise Absent("no data here")

    def fails() -> list[Row]:
        raise RuntimeError("it broke")

    probes = {"lacks": lacks, "fails": fails, "good": lambda: [GOOD]}
    for name, probe in probes.items():
        monkeypatch.setitem(PROBES, name, probe)
    monkeypatch.setattr(bench, "OUTPUT", tmp_path)
    assert bench.main(list(probes)) == 1
    out, said = capsys.readouterr()
    assert "lacks                                  not measured: no data here" in out
    assert "FAILED: RuntimeError: it broke (test_promises.py:" in out
    assert "-- 2 of 3, fails; about 2 min left" in said
    told = json.loads((tmp_path / "bench.json").read_text(encoding="utf-8"))
    assert ([row["name"] for row in told["rows"]], list(told["took"])) == (["a"], ["good"])
    assert list(told["failed"]) == ["fails"]
    assert ET.parse(tmp_path / "bench.svg").getroot().tag.endswith("svg")  # noqa: S314
    assert bench.main(["good"]) == 0
    assert "-- 1 of 1, good; about 0 s left" in capsys.readouterr().err
    assert bench.main(["goood"]) == 2


def test_ratios_are_compared_before_values_and_more_is_better_only_where_it_should_be() -> None:
    def run(value: float, ratio: float | None, least: float | None = None) -> dict[str, object]:
        return {"rows": [{"name": "a", "value": value, "ratio": ratio, "least": least}]}

    assert changes(run(1, 2.0), run(5, 2.0)) == [("a", "the same", 0.0)]
    assert changes(run(1, None), run(1.5, None)) == [("a", "worse", 0.5)]
    assert changes(run(1, None, 1.0), run(1.5, None, 1.0)) == [("a", "better", 0.5)]
    assert changes(run(1, None), {"rows": []}) == [("a", "not measured any more", None)]
