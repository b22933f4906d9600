"""Where the store is, by the settings."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.lab.receivers import wait_until
from tests.store.cluster import Cluster
from watcher.facts.identity import BoxId
from watcher.notify.secret import Secret
from watcher.service import mounted
from watcher.service.disk_proof import DiskProof
from watcher.service.settings_hub import ShopSettings
from watcher.service.settings_shape import Config
from watcher.service.settings_types import SecretPlace
from watcher.service.state import (
    file_of,
    has_state,
    on_server,
    open_proven,
    open_state,
    store_path,
    why_no_store,
)
from watcher.store.errors import StoreError, StoreReadOnly

NOW = datetime(2026, 3, 1, tzinfo=UTC)


def at(url: str) -> Config:
    return Config(shop=ShopSettings(store=SecretPlace(url=Secret(url))))


def test_without_a_server_it_is_a_file_in_the_state_folder(tmp_path: Path) -> None:
    config = Config(state_directory=str(tmp_path / "state"))
    assert not on_server(config)
    assert not has_state(config)
    with open_state(config, NOW, check=True) as store:
        assert store.path == store_path(config) == tmp_path / "state" / "midwatch.db"
        assert not store.is_shared
        assert store.leads()
    assert has_state(config)
    assert file_of(config) == str(store_path(config))


def test_with_a_server_it_is_there_and_no_path_is_told_to_anybody(cluster: Cluster) -> None:
    config = at(cluster.emptied())
    assert on_server(config)
    assert has_state(config)
    assert file_of(config) is None
    with open_state(config, NOW, check=True) as store:
        assert store.is_shared
        with store.transaction() as tx:
            tx.keep(BoxId("a"), "b", "c")


def test_of_two_that_work_on_one_server_one_leads_until_it_is_gone(cluster: Cluster) -> None:
    config = at(cluster.emptied())
    with open_state(config, NOW, check=True) as other:
        with open_state(config, NOW, check=True) as first:
            assert first.leads()
            assert not other.leads()
            assert first.leads()
        assert wait_until(other.leads, 20)  # the server sees the end of a connection a little later


def test_without_psycopg_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "watcher.store.postgres", None)
    with pytest.raises(StoreError, match=r"extra \[postgres\]"):
        open_state(at("postgresql://db.example.org/midwatch"), NOW, check=True)


def test_where_the_file_system_of_the_folder_is_lacking_no_store_is_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One begun on the bare place under it would know nothing, and hide what was there."""
    folder, fstab = tmp_path / "state", tmp_path / "fstab"
    other = Config(state_directory=str(tmp_path / "other"))
    open_state(other, NOW, check=True).close()
    fstab.write_text(f"UUID=5 {folder} ext4 defaults,nofail 0 2\n", encoding="utf-8")
    monkeypatch.setattr(mounted, "FSTAB", fstab)
    config = Config(state_directory=str(folder))
    for _ in range(2):
        with pytest.raises(StoreReadOnly, match="is not mounted: see whether its drive is there"):
            open_proven(config, NOW, DiskProof())
        with pytest.raises(StoreReadOnly, match="is not mounted"):
            open_state(config, NOW, check=False)
        assert not folder.exists()
    assert why_no_store(store_path(config)).startswith(f"the store {store_path(config)} is not")
    (tmp_path / "other").rename(folder)
    assert why_no_store(store_path(config)) == "", "a store that is there is used all the same"
    open_proven(config, NOW, DiskProof()).close()
