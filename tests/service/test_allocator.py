"""Memory that pages took for a moment is given back, also after many sign-ins."""

from __future__ import annotations

import http.cookiejar
import platform
import re
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.cli.state import prepare
from tests.lab.receivers import free_port, wait_until
from tests.web.stage import PASSWORD, account
from watcher.service.clock import SystemClock
from watcher.store.accounts import Role
from watcher.store.database import open_store

ROOT = Path(__file__).resolve().parents[2]
PASSWORD_MIB = 16
"""What scrypt takes for a moment: 128 times N times r (RFC 7914, section 2)."""

ANONYMOUS = re.compile(r"^Anonymous:\s+(\d+) kB", re.MULTILINE)

pytestmark = pytest.mark.skipif(
    platform.libc_ver()[0] != "glibc", reason="another C library, with ways of its own"
)


def own_mib(pid: int | str) -> float:
    """Give the memory that a process has for itself (proc(5), smaps_rollup, Anonymous)."""
    text = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii")
    return int(ANONYMOUS.findall(text)[0]) / 1024


def own_memory(script: str) -> tuple[int, int]:
    """Run a script that shows its memory twice; give both, in KiB."""
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    before, after = map(int, ANONYMOUS.findall(done.stdout))
    return before, after


IN_A_PROCESS = """
from pathlib import Path
from watcher.service.allocator import give_back_freed
from watcher.web.passwords import NOBODY, is_right
assert give_back_freed()
is_right("a", NOBODY)
print(Path("/proc/self/smaps_rollup").read_text(encoding="ascii"))
for _ in range(3):
    is_right("a", NOBODY)
print(Path("/proc/self/smaps_rollup").read_text(encoding="ascii"))
"""


def test_what_a_password_took_is_given_back() -> None:
    """The first, and those after it, which the C library would keep if it were not asked."""
    before, after = own_memory(IN_A_PROCESS)
    assert (after - before) / 1024 < PASSWORD_MIB / 4


HOLES = """
from pathlib import Path
from watcher.service.allocator import give_back_now
some = [bytearray(900) for _ in range(20_000)]
some[:] = some[99::100]
print(Path("/proc/self/smaps_rollup").read_text(encoding="ascii"))
assert give_back_now()
print(Path("/proc/self/smaps_rollup").read_text(encoding="ascii"))
"""


def test_what_is_free_in_the_midst_of_the_heap_is_given_back() -> None:
    """A few blocks at the heap's end hold the rest in place until it is asked for."""
    before, after = own_memory(HOLES)
    assert (before - after) / 1024 > 5


class Visitor:
    """Signs in and goes through the pages."""

    def __init__(self, port: int) -> None:
        self.base = f"http://127.0.0.1:{port}"
        cookies = urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
        self.opener = urllib.request.build_opener(cookies)

    def get(self, path: str, form: bytes | None = None) -> str:
        with self.opener.open(self.base + path, data=form, timeout=60) as answer:
            return str(answer.read().decode())

    def is_there(self) -> bool:
        try:
            return "Sign in" in self.get("/sign-in")
        except urllib.error.URLError:
            return False

    def sign_in(self) -> None:
        ticket = self.get("/sign-in").partition('name="ticket" value="')[2].partition('"')[0]
        form = f"ticket={ticket}&name=lou&password={PASSWORD.replace(' ', '+')}"
        self.get("/sign-in", form.encode())
        assert "lou" in self.get("/me")


PAGES = ("/", "/cases", "/case/1", "/rules", "/ready", "/quiet", "/me", "/manage")


@contextmanager
def pages_of(folder: Path) -> Iterator[tuple[int, int]]:
    """Serve the pages of a prepared state in a process; gives its id and its port."""
    config, port = prepare(folder), free_port()
    now = SystemClock().now()
    with open_store(folder / "state" / "midwatch.db", now=now) as store, store.transaction() as tx:
        tx.save_account(account("lou", Role.MANAGE, now))
    with config.open("a", encoding="utf-8") as settings:
        settings.write(f"web:\n  enabled: yes\n  listen_port: {port}\n")
    words = [sys.executable, "-m", "watcher.cli", "--config", str(config), "pages"]
    process = subprocess.Popen(words, cwd=ROOT, stderr=subprocess.DEVNULL)
    try:
        yield process.pid, port
    finally:
        process.terminate()
        process.wait(60)


def test_pages_that_are_used_a_lot_do_not_grow(tmp_path: Path) -> None:
    """A hundred more and five more sign-ins after the first ones: as before, but for crumbs."""
    with pages_of(tmp_path) as (pid, port):
        assert wait_until(Visitor(port).is_there, 60)

        def visit(times: int) -> None:
            visitor = Visitor(port)
            visitor.sign_in()
            for _ in range(times):
                for page in PAGES:
                    visitor.get(page)

        visit(2)
        before = own_mib(pid)
        for _ in range(5):
            visit(3)
        assert own_mib(pid) - before < PASSWORD_MIB / 4
