"""Boxes and a hub over a link that loses, delays, doubles and reorders packets: the kernel's own.

The kernel here may lack ``netem``; Debian's has it. So boxes and hub run on this machine, and only
the link between them lies in the guest: two network namespaces joined by a pair of links with
``netem`` on both, and a plain relay on each side of it. TCP of two real stacks runs over the bad
link. See ``test_guest.py`` for the guest, ``tests/hub/test_faults.py`` for what is held.
"""

from __future__ import annotations

import os
import re
import shlex
from pathlib import Path

from tests.hub.test_faults import BOXES, SURVEYS, Field, end, finish
from tests.lab.guest.lab import NEEDS_GUEST, ready_or_skip
from tests.lab.guest.machine import HOST, Guest

pytestmark = NEEDS_GUEST

BAD = "delay 40ms 20ms loss 5% duplicate 2% reorder 10%"
DOOR = 9000
RELAY = """
import contextlib, os, socket, sys, threading

def listen(text):
    kind, _, rest = text.partition(":")
    if kind == "unix":
        with contextlib.suppress(FileNotFoundError):
            os.unlink(rest)
        one = socket.socket(socket.AF_UNIX)
        one.bind(rest)
        one.listen(64)
        return one
    host, _, port = rest.rpartition(":")
    return socket.create_server((host, int(port)), backlog=64)

def connect(text):
    kind, _, rest = text.partition(":")
    if kind == "unix":
        one = socket.socket(socket.AF_UNIX)
        one.connect(rest)
        return one
    host, _, port = rest.rpartition(":")
    return socket.create_connection((host, int(port)))

def pump(source, sink):
    with contextlib.suppress(OSError):
        while data := source.recv(65536):
            sink.sendall(data)
    with contextlib.suppress(OSError):
        sink.shutdown(socket.SHUT_WR)

def serve(one, target):
    with contextlib.suppress(OSError), one, connect(target) as other:
        back = threading.Thread(target=pump, args=(other, one), daemon=True)
        back.start()
        pump(one, other)
        back.join()

door = listen(sys.argv[1])
while True:
    one, _ = door.accept()
    threading.Thread(target=serve, args=(one, sys.argv[2]), daemon=True).start()
"""
"""Runs in the guest, with the standard library only: ``relay.py LISTEN TARGET``."""


def lay_the_link(guest: Guest, hub_port: int) -> None:
    """Lay the bad link in the guest, from its door to the hub on this machine."""
    guest.run(f"printf %s {shlex.quote(RELAY)} > /root/relay.py")
    guest.run(
        "modprobe -a veth sch_netem && ip netns add far && "
        "ip link add near type veth peer name away netns far && "
        "ip addr add 10.77.0.1/24 dev near && ip link set near up && "
        "ip -n far addr add 10.77.0.2/24 dev away && ip -n far link set away up && "
        "ip -n far link set lo up && "
        f"tc qdisc add dev near root netem {BAD} && "
        f"ip netns exec far tc qdisc add dev away root netem {BAD}"
    )
    for begin, source, target in (
        ("", "unix:/run/hub.sock", f"tcp:{HOST}:{hub_port}"),
        ("ip netns exec far ", "tcp:10.77.0.2:9001", "unix:/run/hub.sock"),
        ("", f"tcp:0.0.0.0:{DOOR}", "tcp:10.77.0.2:9001"),
    ):
        guest.run(
            f"{begin}setsid -f python3 /root/relay.py {source} {target} "
            "</dev/null >/root/relay.log 2>&1"
        )
    assert guest.until("test -S /run/hub.sock", seconds=60)
    assert guest.until(f"ss -ltn | grep -q ':{DOOR} '", seconds=60)


def lost(said: str) -> int:
    """Read how many packets a queue dropped, from what ``tc -s qdisc show`` says."""
    found = re.search(r"dropped (\d+)", said)
    assert found is not None, said
    return int(found[1])


def test_over_a_link_that_loses_delays_doubles_and_reorders_packets_all_arrives_once_in_order(
    tmp_path: Path,
) -> None:
    made = ready_or_skip()
    port = 20_000 + (os.getpid() + 3_000) % 20_000
    door = port + 1
    field = Field(folder=tmp_path / "field", port=port)
    field.folder.mkdir()
    guest = Guest(made.image, tmp_path / "guest", [], parcel=made.parcel, forward=(door, DOOR))
    try:
        guest.wait_for_boot()
        lay_the_link(guest, port)
        field.prepare(door)
        hub = field.start_hub()
        boxes = {place: field.start_box(place) for place in range(BOXES)}
        try:
            finish(field, boxes)
        finally:
            for process in (*boxes.values(), hub):
                end(process)
        there = lost(guest.out("tc -s qdisc show dev near"))
        back = lost(guest.out("ip netns exec far tc -s qdisc show dev away"))
    finally:
        guest.stop()
    assert there, "the link to the hub was meant to lose packets"
    assert back, "the link from the hub was meant to lose packets"
    assert field.taken() == BOXES * SURVEYS
    field.check()
