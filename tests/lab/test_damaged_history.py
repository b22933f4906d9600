"""The history is damaged between two runs: it is set aside, a new one begun, the person told."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from tests.lab.at_once import AT_ONCE, HOOK
from tests.lab.daemon import Daemon, midwatch
from tests.lab.receivers import Hook, wait_until, web_server

SETTINGS = AT_ONCE + HOOK


def texts(hook: Hook) -> list[str]:
    return [f"{post['title']}\n{post['message']}" for _, post in hook.posts]


def test_a_cut_history_is_told_and_the_watch_goes_on(tmp_path: Path) -> None:
    hook = Hook()
    state = tmp_path / "state"
    config = tmp_path / "midwatch.yaml"
    with web_server(hook) as port:
        config.write_text(SETTINGS.format(state=state, hook=port), encoding="utf-8")
        midwatch(config, "watch", "--once")
        path = state / "midwatch.db"
        for beside in ("midwatch.db-wal", "midwatch.db-shm"):
            (state / beside).unlink(missing_ok=True)
        whole = path.read_bytes()
        path.write_bytes(whole[: len(whole) // 3])
        before = len(hook.posts)

        daemon = Daemon(config)
        try:
            assert wait_until(lambda: "Watching." in daemon.text, 40), daemon.text
            assert "was damaged" in daemon.text
            assert wait_until(lambda: len(hook.posts) > before, 40), daemon.text
            assert any("set aside" in text for text in texts(hook)[before:]), texts(hook)
            aside = [p for p in state.iterdir() if "damaged" in p.name or "aside" in p.name]
            assert aside, sorted(p.name for p in state.iterdir())
            daemon.look()
            assert wait_until(lambda: any("All clear" in t for t in texts(hook)), 40), texts(hook)
        finally:
            daemon.kill()


def test_a_table_that_is_dropped_under_the_watch_is_told_once(tmp_path: Path) -> None:
    """Somebody cleans up by hand: the file is set aside, and the watch is on the disk again."""
    hook = Hook()
    state = tmp_path / "state"
    config = tmp_path / "midwatch.yaml"
    with web_server(hook) as port:
        config.write_text(SETTINGS.format(state=state, hook=port), encoding="utf-8")
        daemon = Daemon(config)
        try:
            assert wait_until(lambda: "Watching." in daemon.text, 40), daemon.text
            with closing(sqlite3.connect(state / "midwatch.db", timeout=20)) as hand:
                hand.execute("DROP TABLE survey")
            daemon.look()
            said = "The history was damaged and was set aside"
            assert wait_until(lambda: any(said in text for text in texts(hook)), 40), daemon.text
            for times in range(3):
                before = daemon.text.count("read again")
                daemon.look()
                assert wait_until(lambda: daemon.text.count("read again") > before, 40), times  # noqa: B023
            assert wait_until(lambda: any("All clear" in t for t in texts(hook)), 40), texts(hook)
            assert daemon.text.count("goes on in memory") == 1, daemon.text
            assert daemon.text.count("written to the disk again") == 1, daemon.text
            assert len([text for text in texts(hook) if said in text]) <= 2, (
                "and with the all-clear"
            )
            assert not [text for text in texts(hook) if "cannot be written" in text]
            assert len(list(state.glob("*.damaged-*Z"))) == 1
            assert daemon.process.poll() is None
        finally:
            daemon.kill()
