"""What a real hub takes in: run ``python -m tests.bench.hub --door [BOXES]`` (about a minute).

``midwatch hub`` runs as it is installed, with as many processes at one door as it is told, on
SQLite on disk. Generated boxes of 24 drives and 2 pools (``tests.bench.hub``) send to it by HTTP
over loopback, each with its token; with ``--tls`` by HTTPS, with ``--fresh`` over a new connection
for each survey, as real boxes come, for the hub hangs up long before the next round.

The boxes are one process that makes everything beforehand and then only sends and reads. It shares
the cores with the hub, so what was **seen** is less than the hub can do; its own processor time is
told beside it, and what the same cores would give the hub **alone** is worked out from its time for
a survey: cores / (door + desk + rest). One process at a time can write to SQLite, which this does
not show: see ``held`` in ``tests.bench.hub``.

Times of parts are those of threads, from the kernel (10 ms ticks, so a run takes seconds): *door*
is the thread that speaks HTTP and TLS and reads the token, *desk* the one that unpacks, judges and
writes, *rest* what else the processes do. The cost of TLS is the difference of two runs.
"""

from __future__ import annotations

import os
import resource
import selectors
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from time import perf_counter

from tests.bench.hub import EVERY, Fleet, build
from watcher.service.clock import SystemClock
from watcher.store.database import open_store

TICKS = os.sysconf("SC_CLK_TCK")
WARM_ROUNDS = 3
"""Surveys of each box before it counts: cases are opened, messages written, caches filled."""
IN_FLIGHT = 6
"""Surveys under way at a time: three for each of two processes, so that none ever waits for us."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is run."""

    boxes: int = 100
    surveys: int = 3000
    processes: int = 2
    tls: bool = False
    fresh: bool = False
    rsa: bool = False
    rate: float | None = None  # surveys a second; None: as fast as they are answered

    @property
    def pace(self) -> str:
        """Say how fast they come."""
        if self.rate is not None:
            return f"{self.rate:g} a second come"
        return f"{IN_FLIGHT} under way at a time"

    @property
    def words(self) -> str:
        """Say how boxes come."""
        way = ("https, RSA" if self.rsa else "https, ECDSA") if self.tls else "http"
        return f"{way}, {'new connections' if self.fresh else 'kept connections'}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spent:
    """Processor time of the hub's processes, in seconds."""

    door: float = 0.0
    desk: float = 0.0
    rest: float = 0.0
    delivery: float = 0.0

    def since(self, before: Spent) -> Spent:
        """Give what was spent between two moments."""
        return Spent(
            door=self.door - before.door,
            desk=self.desk - before.desk,
            rest=self.rest - before.rest,
            delivery=self.delivery - before.delivery,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What came of a run."""

    surveys: int
    passed: float  # seconds
    refused: int
    times: tuple[float, ...]  # seconds of each survey, sorted
    hub: Spent
    client: float  # seconds of processor time
    mib: tuple[float, ...]  # of each process at the door
    in_store: int  # surveys that were taken in, by the store's own count
    shares: tuple[float, ...]  # of the hub's processor time, of each process at the door

    def milliseconds(self, seconds: float) -> float:
        """Give a time for each survey."""
        return seconds / self.surveys * 1000

    @property
    def each(self) -> float:
        """The hub's processor time for a survey, in milliseconds."""
        return self.milliseconds(self.hub.door + self.hub.desk + self.hub.rest)


# ---- the hub's processes, as the kernel tells of them


def ticks(path: Path) -> float:
    """Give the seconds of processor time of a process or a thread (proc(5): stat, 14 and 15)."""
    try:
        words = path.joinpath("stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0  # it has ended
    return (int(words[11]) + int(words[12])) / TICKS


def children(pid: int) -> dict[int, str]:
    """Give the processes that one started, with their command lines."""
    found = {}
    for folder in Path("/proc").iterdir():
        if not folder.name.isdigit():
            continue
        try:
            parent = int(folder.joinpath("stat").read_text().rpartition(")")[2].split()[1])
            line = folder.joinpath("cmdline").read_bytes().replace(b"\0", b" ").decode()
        except (OSError, ValueError):
            continue
        if parent == pid:
            found[int(folder.name)] = line
    return found


def at_the_door(pid: int) -> list[int]:
    """Give the processes that take surveys in."""
    return [pid, *(one for one, line in children(pid).items() if "watcher.cli.helper" in line)]


def spent_by(pid: int) -> Spent:
    """Tell what the hub spent up to now, by what its threads are for.

    The first thread of a process minds the clock, the second is the door, for so they are started;
    of the others the busiest is the desk. The kernel does not know their names.
    """
    door = desk = rest = 0.0
    takers = at_the_door(pid)
    for one in takers:
        threads = sorted(Path(f"/proc/{one}/task").iterdir(), key=lambda path: int(path.name))
        parts = [ticks(thread) for thread in threads]
        ordered = sorted(parts[2:])
        door += sum(parts[1:2])
        desk += sum(ordered[-1:])
        rest += sum(parts[:1]) + sum(ordered[:-1])
    others = [one for one in children(pid) if one not in takers]
    delivery = sum(ticks(Path(f"/proc/{one}")) for one in others)
    return Spent(door=door, desk=desk, rest=rest, delivery=delivery)


def mib_of(pid: int) -> float:
    """Give a process's share of memory (proc(5): PSS)."""
    text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    return int(text.partition("\nPss:")[2].split()[0]) / 1024


# ---- the boxes


class Caller:
    """One connection at a time over which surveys are sent, without waiting for it."""

    def __init__(self, port: int, context: ssl.SSLContext | None, *, fresh: bool) -> None:
        """Call nobody yet."""
        self._port, self._context, self._fresh = port, context, fresh
        self.socket: socket.socket | ssl.SSLSocket | None = None
        self.begun = 0.0
        self._got = self._request = b""
        self._shaking = False

    def send(self, request: bytes, begun: float) -> None:
        """Send a request; ``begun`` is when it was due. Waits for nobody's half of a handshake."""
        self.begun, self._got, self._request = begun, b"", request
        if self.socket is None:
            self.socket = socket.create_connection(("127.0.0.1", self._port))
            self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if self._context is not None:
                self.socket = self._context.wrap_socket(
                    self.socket, server_hostname="127.0.0.1", do_handshake_on_connect=False
                )
                self._shaking = True
        self._go_on()

    def _go_on(self) -> None:
        """Go on with the handshake, and send once it is over."""
        if self.socket is None:
            raise RuntimeError("not connected")
        if self._shaking and isinstance(self.socket, ssl.SSLSocket):
            self.socket.setblocking(False)
            try:
                self.socket.do_handshake()
            except ssl.SSLWantReadError:
                return
            self.socket.setblocking(True)
            self._shaking = False
        self.socket.sendall(self._request)
        self._request = b""

    def read(self) -> int | None:
        """Read on; the status once the answer is whole, and None before."""
        if self.socket is None:
            raise RuntimeError("nothing was sent")
        if self._request:
            self._go_on()
            return None
        part = self.socket.recv(65536)
        if not part:
            raise ConnectionError("the hub hung up before it answered")
        self._got += part
        head, split, body = self._got.partition(b"\r\n\r\n")
        if not split:
            return None
        lower = head.lower()
        length = int(lower.partition(b"content-length:")[2].split(b"\r\n")[0])
        if len(body) < length:
            return None
        if self._fresh or b"connection: close" in lower:
            self.close()
        return int(head.split(b" ", 2)[1])

    def close(self) -> None:
        """Hang up."""
        if self.socket is not None:
            self.socket.close()
            self.socket = None


def request(token: str, body: bytes, *, fresh: bool) -> bytes:
    """Write what a box sends for one survey, as ``watcher/hub/line.py`` does."""
    return (
        "POST /box/surveys HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept-Encoding: identity\r\n"
        f"Content-Length: {len(body)}\r\nContent-Type: application/json\r\n"
        f"Content-Encoding: deflate\r\nAuthorization: Bearer {token}\r\n"
        f"{'Connection: close' if fresh else 'Connection: keep-alive'}\r\n\r\n"
    ).encode() + body


class Boxes:
    """All boxes at once: their surveys go out in rounds, a box's next only after its last."""

    def __init__(self, plan: Plan, port: int, context: ssl.SSLContext | None) -> None:
        """Get the connections ready."""
        self._plan = plan
        self._callers = [Caller(port, context, fresh=plan.fresh) for _ in range(IN_FLIGHT)]

    def send_all(self, requests: deque[bytes]) -> tuple[float, list[float], int]:
        """Send them; give the seconds that passed, those of each, and how many were refused."""
        times: list[float] = []
        refused = 0
        idle, busy = list(self._callers), 0
        sent = 0
        began = perf_counter()
        with selectors.DefaultSelector() as watch:
            while requests or busy:
                now = perf_counter()
                while requests and idle:
                    due = began + sent / self._plan.rate if self._plan.rate else now
                    if due > now:
                        break
                    caller = idle.pop()
                    caller.send(requests.popleft(), due)
                    watch.register(_socket(caller), selectors.EVENT_READ, caller)
                    busy, sent = busy + 1, sent + 1
                wait = None
                if self._plan.rate and requests and idle:
                    wait = max(began + sent / self._plan.rate - perf_counter(), 0.0)
                for key, _ in watch.select(wait):
                    caller = key.data
                    status = self._read(caller, watch)
                    if status is not None:
                        times.append(perf_counter() - caller.begun)
                        refused += status != 200
                        idle.append(caller)
                        busy -= 1
        return perf_counter() - began, times, refused

    @staticmethod
    def _read(caller: Caller, watch: selectors.BaseSelector) -> int | None:
        """Read what came; over TLS all of it, for it is not seen from outside."""
        there = _socket(caller)
        status = caller.read()
        while status is None and isinstance(there, ssl.SSLSocket) and there.pending():
            status = caller.read()
        if status is not None:
            watch.unregister(there)
        return status

    def close(self) -> None:
        """Hang up."""
        for caller in self._callers:
            caller.close()


def _socket(caller: Caller) -> socket.socket:
    if caller.socket is None:
        raise RuntimeError("not connected")
    return caller.socket


# ---- the run


class _Sink(BaseHTTPRequestHandler):
    """Takes the hub's messages and forgets them."""

    def do_POST(self) -> None:
        """Take one."""
        self.rfile.read(int(self.headers.get("content-length", 0)))
        self.send_response(200)
        self.send_header("content-length", "0")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@contextmanager
def a_phone() -> Iterator[int]:
    """Run what messages are sent to; gives its port."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Sink)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()


def make_certificate(folder: Path, *, rsa: bool) -> Path:
    """Make a certificate for this machine by ``openssl``; its key stands beside it."""
    kind = ["rsa:2048"] if rsa else ["ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"]
    made = folder / "hub.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", *kind, "-nodes", "-days", "2", "-subj",
         "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1",
         "-keyout", str(made.with_suffix(".key")), "-out", str(made)],
        check=True, capture_output=True,
    )  # fmt: skip
    return made


def write_settings(folder: Path, plan: Plan, port: int, phone: int) -> ssl.SSLContext | None:
    """Write the settings of the hub; give how its certificate is checked, if it has one."""
    lines = [
        "box_name: hub",
        f"state_directory: {folder}",
        "people:",
        "  - name: Ann",
        "    targets:",
        "      - name: phone",
        f'        url: "json://127.0.0.1:{phone}/"',
        "shop:",
        f"  processes: {plan.processes}",
        "  listen_address: 127.0.0.1",
        f"  listen_port: {port}",
    ]
    context = None
    if plan.tls:
        made = make_certificate(folder, rsa=plan.rsa)
        lines += [f"  certificate_file: {made}", f"  key_file: {made.with_suffix('.key')}"]
        context = ssl.create_default_context(cafile=str(made))
    (folder / "hub.yaml").write_text("\n".join(lines) + "\n")
    return context


def rounds(fleet: Fleet, count: int, now: datetime, *, fresh: bool) -> Iterator[deque[bytes]]:
    """Give what all boxes send in each of ``count`` rounds, the last of which is now."""
    for place in range(count):
        look = fleet.pattern.survey(now - (count - 1 - place) * EVERY, 144)
        yield deque(
            request(fleet.token(box), fleet.parcel(box, look), fresh=fresh)
            for box in range(fleet.count)
        )


def free_port() -> int:
    """Find a port that nobody listens on."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@contextmanager
def running_hub(folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Run ``midwatch hub``, and end it."""
    command = [sys.executable, "-m", "watcher.cli", "--config", str(folder / "hub.yaml"), "hub"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as hub:
        try:
            said = hub.stdout.readline() if hub.stdout is not None else ""
            if "takes surveys in" not in said:
                raise RuntimeError(f"the hub did not start: {said}")
            yield hub
        finally:
            hub.terminate()


def run(plan: Plan) -> Found:
    """Let all boxes report ``WARM_ROUNDS`` times, and measure what comes after that."""
    fleet = Fleet(plan.boxes)
    now = SystemClock().now()
    count = WARM_ROUNDS + -(-plan.surveys // plan.boxes)
    with tempfile.TemporaryDirectory() as name, a_phone() as phone:
        folder, port = Path(name), free_port()
        context = write_settings(folder, plan, port, phone)
        path = folder / "midwatch.db"
        with open_store(path, now=now) as store:
            fleet.enrol(build(store), now)
        sent = list(rounds(fleet, count, now, fresh=plan.fresh))
        with running_hub(folder) as hub:
            boxes = Boxes(plan, port, context)
            for warm in sent[:WARM_ROUNDS]:
                boxes.send_all(warm)
            todo = deque(one for part in sent[WARM_ROUNDS:] for one in part)
            surveys = len(todo)
            each = {one: ticks(Path(f"/proc/{one}")) for one in at_the_door(hub.pid)}
            before, own = spent_by(hub.pid), resource.getrusage(resource.RUSAGE_SELF)
            passed, times, refused = boxes.send_all(todo)
            hub_spent = spent_by(hub.pid).since(before)
            mine = resource.getrusage(resource.RUSAGE_SELF)
            each = {one: ticks(Path(f"/proc/{one}")) - was for one, was in each.items()}
            mib = tuple(mib_of(one) for one in at_the_door(hub.pid))
            boxes.close()
        with open_store(path, now=now, check=False) as store, store.snapshot() as tx:
            in_store = int(tx.db.one("SELECT count(*) AS n FROM survey")["n"])
    return Found(
        surveys=surveys,
        passed=passed,
        refused=refused,
        times=tuple(sorted(times)),
        hub=hub_spent,
        client=mine.ru_utime + mine.ru_stime - own.ru_utime - own.ru_stime,
        mib=mib,
        in_store=in_store - WARM_ROUNDS * plan.boxes,
        shares=tuple(one / (sum(each.values()) or 1.0) for one in each.values()),
    )


def table(plan: Plan, found: Found) -> str:
    """Say what was seen, and what follows for the cores alone."""
    spent, each = found.hub, found.milliseconds
    half, most = (found.times[int(len(found.times) * share)] * 1000 for share in (0.5, 0.99))
    least = min(plan.processes, os.cpu_count() or 1)
    parts = f"door {each(spent.door):.2f}, desk {each(spent.desk):.2f}, rest {each(spent.rest):.2f}"
    alone = 1000 * least / found.each
    memory = ", ".join(f"{one:.0f}" for one in found.mib)
    shares = ", ".join(f"{one:.0%}" for one in found.shares)
    counted = f"{found.refused} refused, {found.in_store} in the store"
    told = (
        ("seen", f"{found.surveys / found.passed:.0f} a second beside the boxes ({counted})"),
        ("waited", f"{half:.1f} ms half of them, {most:.1f} ms 99 of 100 ({plan.pace})"),
        ("hub, each", f"{found.each:.2f} ms of processor time: {parts}"),
        ("boxes, each", f"{each(found.client):.2f} ms; the delivery {each(spent.delivery):.2f} ms"),
        ("hub alone", f"{alone:.0f} a second on {least} cores, by calculation"),
        ("shared", f"{shares} of that by each process"),
        ("memory", f"{memory} MiB (PSS) of each process"),
    )
    head = f"{plan.boxes} boxes, {found.surveys} surveys, {plan.processes} processes, {plan.words}"
    load = f"load {os.getloadavg()[0]:.1f}"
    return "\n".join((f"{head}; {load}", *(f"  {what:12} {words}" for what, words in told)))
