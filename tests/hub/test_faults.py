"""Boxes and a hub as real processes, with what goes wrong between them: nothing lost, nothing
twice, everything in order.

The kernel's own network faults (``tc netem``: loss, delay) are used where the kernel has them;
links that are cut and come back, in network namespaces, where root may. Everywhere else a line of
our own cuts, delays and loses answers.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.hub.bad_line import BadLine
from tests.hub.stage import CONFIG, EVERY, NOW, enrol, look, parcel, standing
from tests.lab.small_disks import small_disk
from tests.store import made
from watcher.facts.survey import Survey
from watcher.hub import credentials
from watcher.hub.clients import Clients
from watcher.hub.credentials import Credentials
from watcher.hub.enrolment import hash_of, invite, join
from watcher.hub.passing import PassingTime
from watcher.hub.shop import Shop
from watcher.hub.wire import Joining
from watcher.service.clock import SystemClock
from watcher.store.database import open_store
from watcher.store.errors import StoreError
from watcher.store.times import to_micros

BOXES, SURVEYS, SEED = 3, 12, 20260301
PATIENCE_SECONDS = 240


@dataclass
class Field:
    """A hub's folder, boxes' folders, and how their processes are started."""

    folder: Path
    hub_prefix: tuple[str, ...] = ()
    box_prefix: tuple[str, ...] = ()
    address: str = "127.0.0.1"
    port: int = 0
    certificate: Path | None = None

    def prepare(self, url_port: int | None = None) -> None:
        """Enrol the boxes and write their credentials."""
        scheme = "https" if self.certificate else "http"
        url = f"{scheme}://{self.address}:{url_port or self.port}"
        now = SystemClock().now()
        with open_store(self.folder / "midwatch.db", now=now) as store, store.transaction() as tx:
            for place in range(BOXES):
                token = f"token-of-box-{place}-0123456789"
                code = invite(tx, "Harbour", f"box {place}", now)
                asked = Joining(code=code, box=f"box {place}", token_hash=hash_of(token))
                join(tx, asked, now)
                own = self.folder / f"box-{place}"
                own.mkdir()
                credentials.save(own, Credentials(url=url, box=f"box {place}", token=token))
        settings = [
            "box_name: workshop",
            f"state_directory: {self.folder}",
            "shop:",
            "  processes: 2",
            f"  listen_address: {self.address}",
            f"  listen_port: {self.port}",
        ]
        if self.certificate is not None:
            settings.append(f"  certificate_file: {self.certificate}")
            settings.append(f"  key_file: {self.certificate.with_suffix('.key')}")
        (self.folder / "hub.yaml").write_text("\n".join(settings) + "\n")

    def start_hub(self) -> subprocess.Popen[str]:
        hub = subprocess.Popen(
            [*self.hub_prefix, sys.executable, "-m", "watcher.cli", "--config",
             str(self.folder / "hub.yaml"), "hub"],
            stdout=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        assert hub.stdout is not None
        assert "takes surveys in" in hub.stdout.readline()
        return hub

    def start_box(self, place: int) -> subprocess.Popen[bytes]:
        more = [str(self.certificate)] if self.certificate else []
        return subprocess.Popen(
            [*self.box_prefix, sys.executable, "-m", "tests.hub.box_process",
             str(self.folder / f"box-{place}"), str(place), str(SURVEYS), *more],
            stdout=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip

    def taken(self) -> int:
        path = self.folder / "midwatch.db"
        with open_store(path, now=NOW, check=False) as store, store.snapshot() as tx:
            return int(tx.db.one("SELECT count(*) AS n FROM survey")["n"])

    def check(self, *, by_the_clock: bool = True) -> None:
        """Every survey once and in order, every event once, no message twice."""
        with open_store(self.folder / "midwatch.db", now=NOW) as store, store.snapshot() as tx:
            surveys = tx.db.rows("SELECT box, survey, taken_at FROM survey ORDER BY rowid")
            events = tx.db.rows("SELECT box, what, count FROM event")
            notices = tx.db.rows("SELECT box, notice_key, target FROM notice")
        for place in range(BOXES):
            mine = [row for row in surveys if row["box"] == f"box {place}"]
            assert [row["survey"].rsplit("-", 1)[1] for row in mine] == [
                str(n) for n in range(1, SURVEYS + 1)
            ], SEED
            times = [row["taken_at"] for row in mine]
            rounds = [to_micros(NOW + n * EVERY) for n in range(1, SURVEYS + 1)]
            assert times == rounds or not by_the_clock, SEED
        said = {(row["box"], row["what"]): row["count"] for row in events}
        assert said == {
            (f"box {p}", f"odd-{n}"): 1 for p in range(BOXES) for n in range(1, SURVEYS + 1)
        }
        assert len({tuple(row) for row in notices}) == len(notices)


def finish(field: Field, boxes: dict[int, subprocess.Popen[bytes]]) -> None:
    """Wait until every box has handed over all it had."""
    for place, box in boxes.items():
        assert box.wait(PATIENCE_SECONDS) == 0, f"box {place} of seed {SEED}"
    assert field.taken() == BOXES * SURVEYS


def until_taken(field: Field, count: int) -> None:
    """Wait until the hub has taken so many surveys."""
    ends = time.monotonic() + PATIENCE_SECONDS
    while field.taken() < count:
        assert time.monotonic() < ends, f"only {field.taken()} of {count} were taken"
        time.sleep(0.05)


def end(process: subprocess.Popen[str] | subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.terminate()
        process.wait(PATIENCE_SECONDS)
    if process.stdout is not None:
        process.stdout.close()


@pytest.mark.slow
def test_a_line_that_cuts_delays_and_loses_answers_while_box_and_hub_are_killed(
    tmp_path: Path,
) -> None:
    field = Field(folder=tmp_path, port=20_000 + (os.getpid() + 7_000) % 20_000)
    with BadLine(field.port, SEED) as line:
        field.prepare(line.port)
        hub = field.start_hub()
        boxes = {place: field.start_box(place) for place in range(BOXES)}
        try:
            until_taken(field, 5)
            os.kill(boxes[0].pid, signal.SIGKILL)
            boxes[0].wait(PATIENCE_SECONDS)
            os.kill(hub.pid, signal.SIGKILL)
            hub.wait(PATIENCE_SECONDS)
            end(hub)
            boxes[0] = field.start_box(0)
            hub = field.start_hub()
            finish(field, boxes)
        finally:
            for process in (*boxes.values(), hub):
                end(process)
        assert line.cut, "the line was meant to be bad"
    field.check()


NETS = ("mw-hub", "mw-box")


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True, timeout=30)


@pytest.fixture
def two_nets(tmp_path: Path) -> Iterator[Field]:
    """Two network namespaces joined by a pair of links, and a certificate for the hub's address."""
    if os.geteuid() != 0 or shutil.which("ip") is None:
        pytest.skip("network namespaces need root and the program ip")
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl to make a certificate")
    names = [f"{name}-{os.getpid()}" for name in NETS]
    address, other = "10.77.0.1", "10.77.0.2"
    try:
        for name in names:
            ip("netns", "add", name)
    except subprocess.CalledProcessError as error:
        pytest.skip(f"network namespaces cannot be made here: {error.stderr.decode().strip()}")
    try:
        ip(
            "link",
            "add",
            "mwh",
            "netns",
            names[0],
            "type",
            "veth",
            "peer",
            "mwb",
            "netns",
            names[1],
        )
        for name, link, own in zip(names, ("mwh", "mwb"), (address, other), strict=True):
            ip("-n", name, "addr", "add", f"{own}/24", "dev", link)
            ip("-n", name, "link", "set", "lo", "up")
            ip("-n", name, "link", "set", link, "up")
        certificate = tmp_path / "hub.pem"
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj",
             f"/CN={address}", "-addext", f"subjectAltName=IP:{address}",
             "-keyout", certificate.with_suffix(".key"), "-out", certificate],
            check=True, capture_output=True, timeout=60,
        )  # fmt: skip
        yield Field(
            folder=tmp_path,
            hub_prefix=("ip", "netns", "exec", names[0]),
            box_prefix=("ip", "netns", "exec", names[1]),
            address=address,
            port=8378,
            certificate=certificate,
        )
    finally:
        for name in names:
            ip("netns", "del", name)


@pytest.mark.root
@pytest.mark.slow
def test_a_link_that_is_cut_and_comes_back_again_and_again(two_nets: Field) -> None:
    two_nets.prepare()
    hub = two_nets.start_hub()
    boxes = {place: two_nets.start_box(place) for place in range(BOXES)}
    try:
        for count in (4, 9, 14):
            until_taken(two_nets, count)
            ip("-n", two_nets.box_prefix[-1], "link", "set", "mwb", "down")
            time.sleep(1.0)  # the cut itself: packets of that time are gone
            ip("-n", two_nets.box_prefix[-1], "link", "set", "mwb", "up")
        finish(two_nets, boxes)
    finally:
        for process in (*boxes.values(), hub):
            end(process)
    two_nets.check()


@pytest.mark.root
@pytest.mark.slow
def test_a_link_that_loses_and_delays_packets(two_nets: Field) -> None:
    for name, link in zip(
        (two_nets.hub_prefix[-1], two_nets.box_prefix[-1]), ("mwh", "mwb"), strict=True
    ):
        done = subprocess.run(
            ["ip", "netns", "exec", name, "tc", "qdisc", "add", "dev", link, "root", "netem",
             "delay", "40ms", "20ms", "loss", "5%", "duplicate", "2%", "reorder", "10%"],
            capture_output=True, text=True, timeout=30, check=False,
        )  # fmt: skip
        if done.returncode:
            pytest.skip(f"this kernel cannot lose or delay packets (netem): {done.stderr.strip()}")
    two_nets.prepare()
    hub = two_nets.start_hub()
    boxes = {place: two_nets.start_box(place) for place in range(BOXES)}
    try:
        finish(two_nets, boxes)
    finally:
        for process in (*boxes.values(), hub):
            end(process)
    two_nets.check()


def survey_of(place: int, number: int) -> Survey:
    event = made.event(NOW + number * EVERY, what=f"odd-{number}")
    survey = look(number, lost=int(number > 6), first_drive=10 * place, events=(event,))
    return replace(survey, survey=f"{place}-{number}")


@pytest.mark.root
def test_a_full_disk_under_the_hub_loses_nothing(tmp_path: Path) -> None:
    """What the hub could not write down it does not answer for: the boxes send it again."""
    refused = 0
    with small_disk(tmp_path / "disk", mebibytes=8) as disk:
        hub = Shop(open_store(disk / "midwatch.db", now=NOW), Clients(standing(), CONFIG))
        tokens = [enrol(hub, f"box {place}") for place in range(BOXES)]
        waiting: dict[int, list[int]] = {place: [] for place in range(BOXES)}
        filler = disk / "filler"
        for number in range(1, SURVEYS + 1):
            if number == 4:
                fill(filler)
            if number == 10:
                filler.unlink()
            for place, token in enumerate(tokens):
                waiting[place].append(number)
                while waiting[place]:
                    told = parcel(survey_of(place, waiting[place][0]), sender=f"run-{place}")
                    try:
                        hub.take(token, told, "192.0.2.7", NOW + number * EVERY)
                    except StoreError:
                        refused += 1
                        break
                    waiting[place].pop(0)
        hub.store.close()
        assert refused
        field = Field(folder=disk)
        assert field.taken() == BOXES * SURVEYS
        field.check()


def fill(filler: Path) -> None:
    """Take all the room that is left."""
    with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while file.write(bytes(4096)):
            continue


@pytest.mark.parametrize("hours", [-7, 5])
def test_a_hub_whose_clock_is_wrong_for_a_while_loses_and_doubles_nothing(
    tmp_path: Path, hours: int
) -> None:
    """Surveys keep their order, however they are dated meanwhile; what is told is told once."""
    hub = Shop(open_store(tmp_path / "midwatch.db", now=NOW), Clients(standing(), CONFIG))
    tokens = [enrol(hub, f"box {place}") for place in range(BOXES)]
    told: set[tuple[str, str]] = set()
    for number in range(1, SURVEYS + 1):
        wrong = timedelta(hours=hours) if 5 <= number <= 8 else timedelta(0)
        now = NOW + number * EVERY + wrong
        for place, token in enumerate(tokens):
            hub.take(token, parcel(survey_of(place, number), sender=f"run-{place}"), "", now)
        for second in (1, 90):
            PassingTime(hub).due(now + timedelta(seconds=second))
            with hub.store.transaction() as tx:
                for notice in tx.claim_due(now + timedelta(seconds=second), 100, "test"):
                    assert tx.mark_sent(notice.number, now)
                    key = (notice.key, notice.target)
                    assert key not in told
                    told.add(key)
    hub.store.close()
    assert {key.split("/")[0] for key, _ in told} >= {f"box {place}" for place in range(BOXES)}
    Field(folder=tmp_path).check(by_the_clock=False)
