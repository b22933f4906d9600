"""``midwatch join``: with a code, to a hub that is there."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.hub.stage import NOW
from tests.hub.test_intake import House
from watcher.cli.exits import Exit, Stop
from watcher.cli.main import cli
from watcher.hub.enrolment import invite
from watcher.service import mounted
from watcher.store.errors import StoreReadOnly


def run(folder: Path, *words: str) -> Result:
    path = folder / "box.yaml"
    path.write_text(f"box_name: press\nstate_directory: {folder}\n")
    return CliRunner().invoke(cli, ["--config", str(path), "join", *words])


def test_a_box_joins_and_is_told_what_to_do_next(tmp_path: Path) -> None:
    house = House()
    try:
        with house.hub.store.transaction() as tx:
            code = invite(tx, "Orchard", "shed", NOW)
        url = f"http://127.0.0.1:{house.server.port}"
        done = run(tmp_path, code, "--hub", url)
        assert done.exit_code == 0
        assert "“shed” of Orchard" in done.output
        assert f"midwatch watch --hub {url}" in done.output
        again = run(tmp_path, code, "--hub", url)
        assert isinstance(again.exception, Stop)
        assert "used already" in again.exception.sentence
    finally:
        house.server.stop()


def test_without_an_address_or_a_safe_line_nothing_is_sent(tmp_path: Path) -> None:
    for words, status in (
        (("CODE",), Exit.WRONG_WORDS),
        (("CODE", "--hub", "http://hub.example.org"), Exit.REFUSED),
        (("CODE", "--hub", "http://127.0.0.1:9"), Exit.REFUSED),
    ):
        done = run(tmp_path, *words)
        assert isinstance(done.exception, Stop)
        assert done.exception.status is status


def test_no_code_is_spent_while_the_file_system_of_the_state_is_lacking(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the hub gave would lie under the mount: the box would have lost it at the next start."""
    fstab = tmp_path / "fstab"
    fstab.write_text(f"UUID=5 {tmp_path} ext4 defaults,nofail 0 2\n", encoding="utf-8")
    monkeypatch.setattr(mounted, "FSTAB", fstab)
    done = run(tmp_path, "CODE", "--hub", "http://127.0.0.1:9")
    assert isinstance(done.exception, StoreReadOnly)
    assert "is not mounted" in str(done.exception)
