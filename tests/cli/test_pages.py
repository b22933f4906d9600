"""The pages beside the watch: where they are, what is not safe, and when there are none."""

from __future__ import annotations

import socket
import urllib.request
from contextlib import ExitStack
from pathlib import Path
from typing import NoReturn

import pytest

from tests.cli.state import command
from tests.cli.test_accounts import empty_state
from watcher.cli.exits import Exit
from watcher.cli.pages import open_pages, reached_at, terms_of
from watcher.cli.watch import pages_beside
from watcher.facts.identity import BoxId
from watcher.service.bootstrap import load_settings
from watcher.service.clock import SystemClock
from watcher.service.settings_shape import Config, WebSettings
from watcher.service.state import open_state
from watcher.store.database import Store
from watcher.store.errors import StoreError


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def config_with(tmp_path: Path, **web: object) -> Config:
    config = load_settings(str(empty_state(tmp_path)), {})
    return config.model_copy(update={"web": WebSettings.model_validate({"enabled": True, **web})})


def test_it_is_said_where_the_pages_are_and_when_that_is_not_safe(tmp_path: Path) -> None:
    safe = config_with(tmp_path, public_url="https://watch.example")
    assert reached_at(safe) == "Pages at https://watch.example."
    bare = safe.model_copy(update={"web": WebSettings(enabled=True, listen_address="0.0.0.0")})
    assert "without TLS" in reached_at(bare)
    assert terms_of(safe).is_secure
    assert not terms_of(bare).is_secure


def test_the_pages_run_until_they_are_ended(tmp_path: Path) -> None:
    config = config_with(tmp_path, listen_port=free_port())
    told: list[str] = []
    served = open_pages(config, SystemClock(), told.append)
    assert served is not None
    with served:
        address = f"http://127.0.0.1:{served.server.port}/sign-in"
        with urllib.request.urlopen(address, timeout=20) as answer:
            assert b"Sign in" in answer.read()
        changed = config.model_copy(
            update={"web": WebSettings(enabled=True, public_url="https://other.example")}
        )
        served.renew(changed)
        assert served.server.site.terms.public_url == "https://other.example"
    assert "Nobody can sign in yet" in told[-1]


def test_a_state_that_cannot_be_read_is_told_and_the_watch_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def damaged(_: Store) -> NoReturn:
        raise StoreError("it is damaged")

    config = config_with(tmp_path, listen_port=free_port())
    monkeypatch.setattr(Store, "snapshot", damaged)
    told: list[str] = []
    assert open_pages(config, SystemClock(), told.append) is None
    assert told == ["There are no pages: the state cannot be opened (it is damaged)."]


def test_a_port_that_is_taken_is_told_and_the_watch_goes_on(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        told: list[str] = []
        config = config_with(tmp_path, listen_port=other.getsockname()[1])
        assert open_pages(config, SystemClock(), told.append) is None
    assert "There are no pages" in told[0]


def test_without_state_there_are_no_pages(tmp_path: Path) -> None:
    config = empty_state(tmp_path)
    (tmp_path / "state" / "midwatch.db").unlink()
    assert command(config, "pages")[0] == Exit.NO_STATE


def test_the_watch_serves_no_pages_unless_it_is_told_to(tmp_path: Path) -> None:
    config = load_settings(str(empty_state(tmp_path)), {})
    told: list[str] = []
    with ExitStack() as beside:
        pages_beside(config, SystemClock(), told.append, beside, once=False)(config)
    assert told == []


def test_a_state_to_which_boxes_report_has_the_pages_of_a_hub(tmp_path: Path) -> None:
    config = config_with(tmp_path, listen_port=free_port())
    now = SystemClock().now()
    with open_state(config, now, check=False) as store, store.transaction() as tx:
        tx.enrol(BoxId("press"), "Harbour", now, 600)
    served = open_pages(config, SystemClock(), lambda _: None)
    assert served is not None
    with served:
        assert served.server.site.terms.clients is not None
        served.renew(config)
        assert served.server.site.terms.clients is not None
