"""Back from a backup, on each ground: what was not answered comes again, nothing is told twice."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import pytest

from tests.hub.stage import NOW, enrol, look, report, shop
from tests.store.cluster import Cluster
from watcher.hub.shop import Shop
from watcher.service.message_id import message_id_of
from watcher.store.backup import back_up
from watcher.store.database import Store, open_store

LATER = NOW + timedelta(days=3)


@dataclass(frozen=True, slots=True)
class Ground:
    """A store in use, and how it is copied and copied back by its own tools."""

    opened: Callable[[], Store]
    save: Callable[[], None]
    restored: Callable[[], Store]


@contextmanager
def on_sqlite(folder: Path) -> Iterator[Ground]:
    yield Ground(
        opened=lambda: open_store(folder / "midwatch.db", now=NOW),
        save=lambda: _nothing(back_up(folder / "midwatch.db", folder / "backup.db")),
        restored=lambda: open_store(folder / "backup.db", now=NOW),
    )


def _nothing(_: object) -> None:
    """Give nothing."""


@contextmanager
def on_postgres(cluster: Cluster) -> Iterator[Ground]:
    from watcher.store.postgres import open_server  # noqa: PLC0415 - an extra

    url, fresh = cluster.emptied("in_use"), cluster.emptied("restored")
    dump = str(cluster.folder / "hub.dump")

    def restored() -> Store:
        cluster.run("pg_restore", "--clean", "--if-exists", f"--dbname={fresh}", dump)
        return open_server(fresh, now=NOW)

    yield Ground(
        opened=lambda: open_server(url, now=NOW),
        save=lambda: _nothing(
            cluster.run("pg_dump", "--format=custom", f"--file={dump}", f"--dbname={url}")
        ),
        restored=lambda: (
            _nothing(
                cluster.run("pg_restore", "--clean", "--if-exists", f"--dbname={fresh}", dump)
            ),
            open_server(fresh, now=NOW),
        )[1],
    )


@pytest.fixture(params=["sqlite", "postgres"])
def ground(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Ground]:
    if request.param == "sqlite":
        with on_sqlite(tmp_path) as found:
            yield found
    else:
        with on_postgres(request.getfixturevalue("cluster")) as found:
            yield found


def deliver(hub: Shop) -> list[str]:
    """Send what is due; give the message ids as a receiver sees them."""
    with hub.store.transaction() as tx:
        taken = tx.claim_due(LATER, 100, "delivery")
        for notice in taken:
            tx.mark_sent(notice.number, LATER)
    return [message_id_of(n.key, n.target) for n in taken]


def surveys_of(hub: Shop) -> set[str]:
    with hub.store.snapshot() as tx:
        return {row["survey"] for row in tx.db.rows("SELECT survey FROM survey")}


def test_after_a_restore_what_was_not_answered_comes_again_and_nothing_is_told_twice(
    ground: Ground,
) -> None:
    with closing(ground.opened()) as store:
        hub = shop(store)
        token = enrol(hub, "press")
        for number in (1, 2):
            report(hub, token, look(number, lost=number - 1))
        told = deliver(hub)
        assert told
        ground.save()  # while the hub is at work
        report(hub, token, look(3, lost=1))  # taken in after the backup, and lost with the disk
        assert deliver(hub) == []
    with closing(ground.restored()) as store:
        hub = shop(store)
        assert surveys_of(hub) == {"press|look-1", "press|look-2"}
        # The box sends again what was not answered; the first of these had been answered.
        for number in (2, 3):
            assert report(hub, token, look(number, lost=1)).answer.taken == f"look-{number}"
        assert surveys_of(hub) == {f"press|look-{number}" for number in (1, 2, 3)}
        assert deliver(hub) == []
        report(hub, token, look(4, lost=1))  # nobody has answered: time to say it again
        reminders = deliver(hub)
        assert reminders
        assert not set(reminders) & set(told)
        with hub.store.snapshot() as tx:
            (box,) = tx.enrolled_boxes()
            assert len([c for c in tx.list_cases(box.box, open_only=True) if c.is_weighty]) == 1


def test_what_was_told_after_the_backup_is_told_again_under_the_same_ids_only(
    ground: Ground,
) -> None:
    """The backup cannot know that it was told; the id lets the receiver see it."""
    with closing(ground.opened()) as store:
        hub = shop(store)
        token = enrol(hub, "press")
        report(hub, token, look(1))
        before = deliver(hub)
        ground.save()
        report(hub, token, look(2, lost=1))
        after = deliver(hub)
        assert after
    with closing(ground.restored()) as store:
        hub = shop(store)
        assert deliver(hub) == []
        report(hub, token, look(2, lost=1))
        again = deliver(hub)
        assert sorted(again) == sorted(after)
        assert not set(again) & set(before)


def test_a_token_that_was_taken_away_before_the_backup_stays_so(ground: Ground) -> None:
    from watcher.hub.errors import Refused  # noqa: PLC0415 - only here

    with closing(ground.opened()) as store:
        hub = shop(store)
        token = enrol(hub, "press")
        with store.transaction() as tx:
            tx.revoke_box(tx.enrolled_boxes()[0].box)
        ground.save()
    with closing(ground.restored()) as store, pytest.raises(Refused):
        report(shop(store), token, look(1))
