"""Inside the guest: runs the commands that come over a virtio serial port, and answers.

One JSON object in a line each way: ``{"id", "command", "seconds"}`` to here, and back
``{"id", "status", "out"}`` with standard output and standard error in one. The first line it
writes has the id "here". Only the standard library of Python.
"""

from __future__ import annotations

import json
import os
import subprocess
import threading
import time

PORT = "/dev/virtio-ports/lab"
LOCK = threading.Lock()


def answer(port: int, words: dict[str, object]) -> None:
    """Write one line, whole."""
    data = json.dumps(words).encode() + b"\n"
    with LOCK:
        while data:
            data = data[os.write(port, data) :]


def carry_out(port: int, wish: dict[str, object]) -> None:
    """Run one command and answer."""
    try:
        done = subprocess.run(
            ["/bin/bash", "-c", str(wish["command"])],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            timeout=float(str(wish["seconds"])),
            check=False,
        )
        status, out = done.returncode, done.stdout
    except subprocess.TimeoutExpired as late:
        status, out = 124, (late.stdout or b"") + b"\n[the time was over]"
    answer(port, {"id": wish["id"], "status": status, "out": out.decode(errors="replace")})


def main() -> None:
    """Serve for ever."""
    port = os.open(PORT, os.O_RDWR)
    answer(port, {"id": "here"})
    waiting = b""
    while True:
        piece = os.read(port, 65536)
        if not piece:  # nobody listens on the other side yet
            time.sleep(0.05)
            continue
        *lines, waiting = (waiting + piece).split(b"\n")
        for line in lines:
            threading.Thread(target=carry_out, args=(port, json.loads(line)), daemon=True).start()


main()
