"""A PostgreSQL server of the tests' own: on a Unix socket in a temporary folder, never as root."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.store.made import NOW
from watcher.store.database import Store

ENDURANCE_SECONDS = 60

ROOM_BYTES = 1 << 30

UNSAFE = ("fsync=off", "full_page_writes=off")
"""Faster on a disk that many share: a test kills processes, never the machine."""


def programs() -> Path | None:
    """Say where the server's programs are, the newest; Debian keeps them off the path.

    ``MIDWATCH_POSTGRES=FOLDER`` names others, to try another version by hand.
    """
    if named := os.environ.get("MIDWATCH_POSTGRES"):
        return Path(named)
    places = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3])
    )
    if places:
        return places[-1].parent
    found = shutil.which("initdb")
    return Path(found).resolve().parent if found else None


def who_runs() -> str | None:
    """Name the user under which a server may run; None: this one."""
    if os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            return pwd.getpwnam(name).pw_name
    return ""


class Cluster:
    """One server."""

    def __init__(
        self, folder: Path, bin_folder: Path, user: str | None, options: tuple[str, ...] = UNSAFE
    ) -> None:
        self.folder, self._bin, self._user, self.options = folder, bin_folder, user, options
        self._count = 0

    def run(
        self, program: str, *words: str, check: bool = True
    ) -> subprocess.CompletedProcess[str]:
        """Run a program of the server's as its user."""
        return subprocess.run(
            [str(self._bin / program), *words],
            check=check,
            capture_output=True,
            text=True,
            timeout=ENDURANCE_SECONDS,
            cwd="/",
            **({"user": self._user, "extra_groups": []} if self._user else {}),
        )

    def make(self) -> None:
        """Lay the cluster down."""
        words = ("--auth=trust", "--username=midwatch", "--encoding=UTF8", "--locale=C.UTF-8")
        self.run("initdb", "-D", str(self.folder / "data"), "--no-sync", *words)

    def start(self) -> None:
        """Start it and wait until it answers."""
        options = ["-c listen_addresses=''", f"-k {self.folder}", "-c shared_buffers=32MB"]
        options += [f"-c {one}" for one in self.options]
        words = ("-D", str(self.folder / "data"), "-w", "-t", str(ENDURANCE_SECONDS))
        log = ("-l", str(self.folder / "log"))
        with (self.folder / "said").open("wb") as said:  # a pipe would stay open with the server
            subprocess.run(
                [str(self._bin / "pg_ctl"), "start", *words, *log, "-o", " ".join(options)],
                check=True,
                stdout=said,
                stderr=said,
                timeout=ENDURANCE_SECONDS + 10,
                cwd="/",
                **({"user": self._user, "extra_groups": []} if self._user else {}),
            )

    def stop(self, how: str = "fast") -> None:
        """Stop it: ``fast`` ends what goes on, ``immediate`` is a crash."""
        self.run("pg_ctl", "stop", "-D", str(self.folder / "data"), "-w", "-m", how, check=False)

    def url(self, database: str = "postgres") -> str:
        """Give the address of a database."""
        return f"postgresql:///{database}?host={self.folder}&user=midwatch"

    def emptied(self, name: str = "scratch") -> str:
        """Give the address of a database that is made at its first use and emptied at others."""
        import psycopg  # noqa: PLC0415 - an extra

        url = self.url(name)
        try:
            with psycopg.connect(url, autocommit=True) as connection:
                connection.execute("DROP SCHEMA public CASCADE; CREATE SCHEMA public")
        except psycopg.OperationalError:
            self.run("createdb", "-h", str(self.folder), "-U", "midwatch", name)
        return url

    def new_database(self) -> str:
        """Make an empty database and give its address."""
        self._count += 1
        name = f"test_{os.getpid()}_{self._count}"
        self.run("createdb", "-h", str(self.folder), "-U", "midwatch", name)
        return self.url(name)


def _place() -> str | None:
    """Say where files may lie that need not last: in memory, where there is room for them."""
    memory = Path("/dev/shm")
    if os.access(memory, os.W_OK) and shutil.disk_usage(memory).free > ROOM_BYTES:
        return str(memory)
    return None


@contextlib.contextmanager
def running_cluster(*, safe: bool = False) -> Iterator[Cluster]:
    """Give a running server, and take it down again; skips where there can be none.

    With ``safe`` it lies on a disk and waits for it, as one in use does.
    """
    pytest.importorskip("psycopg", reason="needs psycopg: the extra [postgres]")
    bin_folder, user = programs(), who_runs()
    if bin_folder is None:
        pytest.skip("needs a PostgreSQL server: apt-get install postgresql")
    if user == "":
        pytest.skip("needs a user other than root to run a PostgreSQL server")
    folder = Path(tempfile.mkdtemp(prefix="mw-pg-", dir=None if safe else _place()))
    cluster = Cluster(folder, bin_folder, user, () if safe else UNSAFE)
    try:
        if user:
            shutil.chown(folder, user)
        cluster.make()
        cluster.start()
        yield cluster
    finally:
        cluster.stop("immediate")
        shutil.rmtree(folder, ignore_errors=True)


class Shelf:
    """Stores on a server, kept open and emptied for each test: making one takes a while."""

    def __init__(self, cluster: Cluster) -> None:
        self._cluster = cluster
        self._stores: list[Store] = []
        self.given = 0

    def anew(self) -> Store:
        from watcher.store.postgres import open_server  # noqa: PLC0415 - an extra

        if self.given == len(self._stores):
            self._stores.append(open_server(self._cluster.new_database(), now=NOW))
        store = self._stores[self.given]
        self.given += 1
        with store.transaction() as tx:
            tables = [row["name"] for row in tx.db.rows(tx.db.dialect.tables)]
            ours = ", ".join(name for name in tables if name != "schema_step")
            tx.db.change(f"TRUNCATE {ours} RESTART IDENTITY")
        return store

    def close(self) -> None:
        for store in self._stores:
            store.close()
