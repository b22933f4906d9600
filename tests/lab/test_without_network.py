"""Nothing is fetched at run time: a survey and the pages, on a machine that has no network at all.

Two means. Where root may, the processes run in a network namespace of their own in which only the
loopback is up. And everywhere each Python process reports, by an audit hook (docs.python.org,
"sys.addaudithook"), every address that it tries to reach and every name that it looks up: there
are none beyond this machine.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.lab.daemon import ROOT
from tests.lab.receivers import free_port

HOOK = """
import os, sys
def _hear(event, args):
    if event == "socket.connect" and isinstance(args[1], tuple):
        said = f"connect {args[1][0]}"
    elif event == "socket.getaddrinfo":
        said = f"name {args[0]}"
    elif event in ("socket.gethostbyname", "ftplib.connect", "smtplib.connect"):
        said = f"{event} {args[-1]}"
    else:
        return
    out = os.open(os.environ["SAID_TO"], os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    os.write(out, (said + chr(10)).encode())
    os.close(out)
sys.addaudithook(_hear)
"""

SETTINGS = """box_name: attic
state_directory: {state}
kernel_log:
  source: none
web:
  enabled: yes
  listen_port: {port}
"""

STORY = """
import fcntl, socket, struct, subprocess, sys, urllib.request, re
config, port = sys.argv[1:]
with socket.socket() as one:  # SIOCGIFFLAGS, SIOCSIFFLAGS, IFF_UP (linux/sockios.h, linux/if.h)
    lo = struct.pack("16sh14x", b"lo", 0)
    flags = struct.unpack("16sh14x", fcntl.ioctl(one, 0x8913, lo))[1]
    if not flags & 1:
        fcntl.ioctl(one, 0x8914, struct.pack("16sh14x", b"lo", flags | 1))
midwatch = [sys.executable, "-m", "watcher.cli", "--config", config]
looked = subprocess.run([*midwatch, "look"], capture_output=True, text=True, timeout=120)
assert looked.returncode in (0, 10, 11), looked.stdout + looked.stderr
watch = subprocess.Popen([*midwatch, "watch"], stdout=subprocess.PIPE, text=True)
try:
    for line in watch.stdout:
        if line.startswith("Watching."):
            break
    else:
        raise SystemExit("it ended by itself")
    page = f"http://127.0.0.1:{port}/sign-in"
    with urllib.request.urlopen(page, timeout=30) as answer:
        text = answer.read().decode()
    assert "Sign in" in text
    for place in re.findall(r'(?:href|src)="([^"#]+)"', text):
        assert place.startswith("/"), place
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{place}", timeout=30) as answer:
            assert answer.status == 200
finally:
    watch.terminate()
    watch.communicate(timeout=60)
for words in (("cases",), ("ready",), ("rules",), ("man",)):
    done = subprocess.run([*midwatch, *words], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
print("all done")
"""


def alone() -> list[str]:
    """Give the words that put a program into a network of its own, or none where that cannot be."""
    if os.geteuid() != 0 or shutil.which("unshare") is None:
        return []
    words = ["unshare", "--net"]
    tried = subprocess.run([*words, "true"], capture_output=True, check=False, timeout=30)
    return words if tried.returncode == 0 else []


def run(tmp_path: Path, program: str, *words: str) -> tuple[subprocess.CompletedProcess[str], str]:
    """Run a Python program with the hook in it and in all that it starts; give what was heard."""
    (tmp_path / "hook").mkdir()
    (tmp_path / "hook" / "sitecustomize.py").write_text(HOOK, encoding="utf-8")
    heard = tmp_path / "heard"
    heard.touch()
    done = subprocess.run(
        [*alone(), sys.executable, "-c", program, *words],
        cwd=ROOT,
        env={
            **os.environ,
            "PYTHONPATH": f"{tmp_path / 'hook'}{os.pathsep}{ROOT}",
            "SAID_TO": str(heard),
            "PYTHONUNBUFFERED": "1",
        },
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    return done, heard.read_text(encoding="utf-8")


def test_a_survey_and_the_pages_reach_for_nothing_beyond_this_machine(tmp_path: Path) -> None:
    port = free_port()
    config = tmp_path / "midwatch.yaml"
    config.write_text(SETTINGS.format(state=tmp_path / "state", port=port), encoding="utf-8")
    done, heard = run(tmp_path, STORY, str(config), str(port))
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.endswith("all done\n")
    assert set(heard.splitlines()) <= {"connect 127.0.0.1", "name 127.0.0.1"}, heard
    assert "connect 127.0.0.1" in heard, "the hook hears what the test itself does"


def test_the_hook_hears_what_reaches_out(tmp_path: Path) -> None:
    """Otherwise the test before this one could not fail."""
    reach = "import socket, contextlib\nwith contextlib.suppress(OSError):\n"
    reach += "    socket.create_connection(('192.0.2.1', 9), 0.1)"
    _, heard = run(tmp_path, reach)
    assert heard.splitlines() == ["name 192.0.2.1", "connect 192.0.2.1"]


@pytest.mark.root
def test_the_network_of_its_own_has_no_way_out(tmp_path: Path) -> None:
    if not alone():
        pytest.skip("needs root and unshare for a network namespace")
    done, _ = run(tmp_path, "print(open('/proc/net/dev').read().count(':'))")
    assert done.stdout.strip() == "1", "only the loopback"
