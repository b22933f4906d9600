"""The page of a case on the command line: a link for its person, and a QR code that holds it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import segno

from tests.cli.state import command, prepare
from tests.cli.test_cases import number_of
from watcher.cli.page_link import BORDER, qr_lines
from watcher.service.clock import SystemClock
from watcher.service.links import Link, check
from watcher.store.database import open_store

WEB = "web:\n  enabled: yes\n  public_url: https://watch.example\n"


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare(tmp_path_factory.mktemp("page"))


@pytest.fixture
def config(prepared: Path, tmp_path: Path) -> Path:
    shutil.copytree(prepared.parent / "state", tmp_path / "state")
    text = prepared.read_text("utf-8").replace(str(prepared.parent), str(tmp_path))
    (tmp_path / "midwatch.yaml").write_text(text, encoding="utf-8")
    return tmp_path / "midwatch.yaml"


def with_pages(config: Path, *, alone: bool) -> Path:
    text = config.read_text("utf-8") + WEB
    config.write_text(text.replace("  - name: ben\n", "") if alone else text, encoding="utf-8")
    return config


def test_without_pages_nothing_is_said_of_them(config: Path) -> None:
    assert "phone:" not in command(config, "case", number_of(config))[1]


def test_the_only_person_gets_a_link_that_opens_the_case(config: Path, tmp_path: Path) -> None:
    config = with_pages(config, alone=True)
    number = number_of(config)
    _, text = command(config, "case", number)
    (line,) = [line for line in text.splitlines() if line.startswith("On ada's phone: ")]
    assert "\x1b" not in text
    link = line.rpartition("/a/")[2]
    now = SystemClock().now()
    with (
        open_store(tmp_path / "state" / "midwatch.db", now=now, check=False) as store,
        store.snapshot() as tx,
    ):
        found = check(link, tx.signing_keys(now), now)
    assert isinstance(found, Link)
    assert (found.person, found.case) == ("ada", int(number))


def test_who_is_not_known_gets_the_plain_address(config: Path) -> None:
    config = with_pages(config, alone=False)
    number = number_of(config)
    assert (
        f"On the phone: https://watch.example/case/{number}" in command(config, "case", number)[1]
    )


@pytest.mark.parametrize(
    "text", ["https://watch.example/case/3", "https://watch.example/a/" + "x" * 90]
)
def test_the_half_blocks_hold_the_modules_of_the_code(text: str) -> None:
    wanted = [
        [bool(m) for m in row]
        for row in segno.make(text, micro=False, error="l").matrix_iter(border=BORDER)
    ]
    got: list[list[bool]] = []
    for line in qr_lines(text):
        drawn = line.removeprefix("\x1b[30;47m").removesuffix("\x1b[0m")
        got.append([c in "▀█" for c in drawn])
        got.append([c in "▄█" for c in drawn])
    assert got[: len(wanted)] == wanted
    assert not any(any(row) for row in got[len(wanted) :])
