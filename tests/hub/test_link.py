"""The box's end put together: joining, and what the watch holds."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.hub.stage import NOW, StillClock, look, standing
from tests.hub.test_intake import House
from watcher.hub import credentials
from watcher.hub.credentials import Credentials
from watcher.hub.enrolment import invite
from watcher.hub.errors import Refused
from watcher.hub.link import HubLink, join_hub, link_to, mask_of
from watcher.service.desk import Desk
from watcher.service.settings_hub import HubSettings
from watcher.service.settings_shape import Config
from watcher.store.database import Store, open_memory


def config(folder: Path, **hub: object) -> Config:
    return Config(
        box_name="press",
        state_directory=str(folder),
        hub=HubSettings(**hub),  # type: ignore[arg-type]
    )


def link(settings: Config, url: str, store: Store) -> HubLink:
    return link_to(
        settings,
        url=url,
        store=lambda: store,
        clock=StillClock(),
        look=lambda: None,
        say=lambda _text: None,
    )


def test_a_box_that_has_not_joined_says_how_to(tmp_path: Path) -> None:
    url = "http://127.0.0.1:1"
    with pytest.raises(ValueError, match="midwatch join CODE"):
        link(config(tmp_path), url, open_memory(now=NOW))
    credentials.save(tmp_path, Credentials(url="http://127.0.0.1:2", box="press", token="t"))
    with pytest.raises(ValueError, match="has joined"):
        link(config(tmp_path), url, open_memory(now=NOW))


def test_a_box_joins_and_its_surveys_arrive(tmp_path: Path) -> None:
    house = House()
    try:
        url = f"http://127.0.0.1:{house.server.port}"
        with house.hub.store.transaction() as tx:
            code = invite(tx, "Orchard", "shed", NOW)
        assert join_hub(config(tmp_path), tmp_path, url, code).box == "shed"
        with pytest.raises(Refused):
            join_hub(config(tmp_path), tmp_path, url, code)
        store = open_memory(now=NOW)
        found = link(config(tmp_path), url, store)
        assert isinstance(found, HubLink)
        Desk(store, found.joined(standing("press"))).take_in(look(0), NOW)
        assert found.sender.step() == 0.0
        found.stop()
        assert found.works(NOW) == {"hub"}
        with house.hub.store.snapshot() as tx:
            assert [b.box for b in tx.boxes()] == ["shed"]
    finally:
        house.server.stop()


def test_what_is_hidden_is_hidden_by_a_key_of_the_box(tmp_path: Path) -> None:
    known = Credentials(url="u", box="b", token="t", mask_key="00" * 32)
    assert mask_of(config(tmp_path), known) is None
    mask = mask_of(config(tmp_path, mask_names=True), known)
    assert mask is not None
    assert "press" in mask.names
    assert not mask.serials
