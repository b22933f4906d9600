"""Where the store is, by the settings: a file, or for a hub a database server."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from watcher.service.disk_proof import DiskProof
from watcher.service.mounted import lacks_mount
from watcher.service.settings_shape import Config
from watcher.store.database import Store, open_store
from watcher.store.errors import StoreError, StoreReadOnly
from watcher.store.place import prove_folder

STORE_NAME = "midwatch.db"

FOLDER_MODE = 0o750


def store_path(config: Config) -> Path:
    """Say where the store is when it is a file."""
    return Path(config.state_directory or ".") / STORE_NAME


def on_server(config: Config) -> bool:
    """Tell whether the settings put the store onto a database server."""
    return config.shop.store.is_given


def file_of(config: Config) -> str | None:
    """Give the path to tell a delivery process; None when it is to ask the settings itself."""
    return None if on_server(config) else str(store_path(config))


def has_state(config: Config) -> bool:
    """Tell whether there may be a store; a server is asked when it is opened."""
    return on_server(config) or store_path(config).exists()


def open_state(config: Config, now: datetime, *, check: bool, make: bool = True) -> Store:
    """Open the store where the settings say; with ``make`` its folder is made first.

    A server examines its files itself, so there ``check`` changes nothing. Raises StoreError, or
    OSError when the folder cannot be made.
    """
    if on_server(config):
        return _open_on_server(config, now)
    path = store_path(config)
    if make:
        make_folder(path)
    return open_store(path, now=now, check=check)


def open_proven(config: Config, now: datetime, proof: DiskProof) -> Store:
    """Open the store of a watch, once its disk has shown that it keeps what it takes.

    Raises StoreError, or OSError when the folder cannot be made; then no file was mapped.
    """
    path = store_path(config)
    where = f"the store {path}"

    def prove() -> None:
        make_folder(path)
        prove_folder(path, where)

    proof.ask(prove, where)
    store = open_state(config, now, check=True)
    store.keep_less()
    return store


def why_no_store(path: Path) -> str:
    """Say why there is no store where one should be mounted; "" where none need be there."""
    lacking = None if path.exists() else lacks_mount(path.parent)
    if lacking is None:
        return ""
    return (
        f"the store {path} is not there, for the file system that belongs at {lacking} "
        "(/etc/fstab) is not mounted: see whether its drive is there"
    )


def make_folder(path: Path) -> None:
    """Make the folder of a store; raises StoreReadOnly where it would be the bare place."""
    why = why_no_store(path)
    if why:
        raise StoreReadOnly(why)
    if not path.parent.is_dir():
        path.parent.mkdir(mode=FOLDER_MODE, parents=True, exist_ok=True)


def _open_on_server(config: Config, now: datetime) -> Store:
    try:
        from watcher.store.postgres import open_server  # noqa: PLC0415 - an extra
    except ImportError as error:
        raise StoreError(
            "the settings put the store into PostgreSQL (shop.store), for which psycopg is "
            "needed: install midwatch with its extra [postgres]"
        ) from error
    return open_server(config.shop.store.url.reveal(), now=now)
