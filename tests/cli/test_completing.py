"""What real shells make of our completions; each is skipped where its shell is not installed."""

from __future__ import annotations

import os
import pty
import select
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.shell_completion import CompletionItem, get_completion_class

from watcher.cli.completing import prepare_shells
from watcher.cli.main import COMMANDS, cli

SHELLS = ("bash", "zsh", "fish")
PATIENCE = 60.0
"""Seconds for a shell to answer on a busy machine."""


@pytest.fixture(autouse=True)
def ours() -> None:
    prepare_shells()


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """Give a folder with the command, its completions where shells look, and two files."""
    bin_folder = tmp_path / "bin"
    bin_folder.mkdir()
    command = bin_folder / "midwatch"
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m watcher.cli "$@"\n')
    command.chmod(0o755)
    (tmp_path / "report.txt").touch()
    (tmp_path / "box one.tar.gz").touch()
    (tmp_path / "report.d").mkdir()
    return tmp_path


def lay_down(home: Path, shell: str, place: str) -> Path:
    """Write what the command says for a shell to where the shell looks for it."""
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed here")
    script = subprocess.run(
        ["midwatch"],
        env=surroundings(home) | {"_MIDWATCH_COMPLETE": f"{shell}_source"},
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    file = home / place
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(script)
    return file


def surroundings(home: Path) -> dict[str, str]:
    """Give an environment in which nothing of the person who runs the tests counts."""
    package = Path(__file__).parents[2]
    return {
        "HOME": str(home),
        "ZDOTDIR": str(home),
        "XDG_CONFIG_HOME": str(home / "config"),
        "XDG_DATA_HOME": str(home / "data"),
        "PATH": f"{home / 'bin'}:{os.environ.get('PATH', '/usr/bin:/bin')}",
        "PYTHONPATH": str(package),
        "TERM": "dumb",
        "LC_ALL": "C.UTF-8",
    }


def fish_offers(home: Path, line: str) -> list[str]:
    ran = subprocess.run(
        ["fish", "--command", "complete --do-complete $argv[1]", line],
        cwd=home,
        env=surroundings(home),
        capture_output=True,
        text=True,
        check=True,
    )
    return ran.stdout.splitlines()


def test_fish_offers_commands_options_values_and_files(home: Path) -> None:
    lay_down(home, "fish", "config/fish/completions/midwatch.fish")
    assert fish_offers(home, "midwatch mai") == [f"maintenance\t{COMMANDS['maintenance'][2]}"]
    assert fish_offers(home, "midwatch silence add --dr") == [
        "--drive\tA drive, by serial, bay, id or node."
    ]
    assert fish_offers(home, "midwatch account add ada --role ") == ["act", "look", "manage"]
    assert fish_offers(home, "midwatch --config re") == ["report.d/", "report.txt"]


def bash_offers(home: Path, script: Path, *words: str) -> list[str]:
    asking = (
        'source "$0"; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); compopt() { echo "files"; }; '
        '_midwatch_completion midwatch; printf "%s\\n" "${COMPREPLY[@]}"'
    )
    ran = subprocess.run(
        ["bash", "--norc", "-c", asking, str(script), *words],
        cwd=home,
        env=surroundings(home),
        capture_output=True,
        text=True,
        check=True,
    )
    return ran.stdout.split("\n")[:-1]


def test_bash_offers_commands_options_values_and_files(home: Path) -> None:
    script = lay_down(home, "bash", "midwatch.bash")
    assert bash_offers(home, script, "midwatch", "ma") == ["maintenance", "man"]
    assert bash_offers(home, script, "midwatch", "silence", "add", "--dr") == ["--drive"]
    assert bash_offers(home, script, "midwatch", "account", "add", "ada", "--role", "") == [
        *("look", "act", "manage"),
    ]
    assert "files" in bash_offers(home, script, "midwatch", "--config", "re")


class Zsh:
    """A zsh at a terminal of its own, as a person has it."""

    def __init__(self, home: Path) -> None:
        (home / ".zshrc").write_text(
            f"fpath=({home}/functions $fpath)\nautoload -Uz compinit\ncompinit -u -D\n"
            "unsetopt zle_bracketed_paste\nPS1='ready> '\n"
        )
        self._screen = b""
        self._line, theirs = pty.openpty()
        self._shell = subprocess.Popen(
            ["setsid", "--ctty", "--wait", "zsh", "-i"],
            cwd=home,
            env=surroundings(home) | {"TERM": "vt100", "COLUMNS": "100", "LINES": "40"},
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
        )
        os.close(theirs)

    def wait_for(self, words: str) -> str:
        """Give what came on the screen when the words stand on it."""
        end = time.monotonic() + PATIENCE
        while words.encode() not in self._screen:
            left = end - time.monotonic()
            assert left > 0, self._screen
            if select.select([self._line], [], [], left)[0]:
                self._screen += os.read(self._line, 4096)
        seen, self._screen = self._screen.decode(errors="replace"), b""
        return seen

    def type(self, keys: str) -> None:
        os.write(self._line, keys.encode())

    def close(self) -> None:
        os.close(self._line)  # the shell is hung up on
        self._shell.wait(PATIENCE)


@pytest.fixture
def zsh(home: Path) -> Iterator[Zsh]:
    lay_down(home, "zsh", "functions/_midwatch")
    shell = Zsh(home)
    yield shell
    shell.close()


def test_zsh_offers_commands_options_values_and_files(zsh: Zsh) -> None:
    zsh.wait_for("ready> ")
    zsh.type("midwatch mai\t")
    zsh.wait_for("maintenance")
    zsh.type("\x15midwatch silence add --\t\t")
    zsh.wait_for("A drive, by serial, bay, id or node.")
    zsh.type("\x15midwatch account add ada --role m\t")
    zsh.wait_for("manage")
    zsh.type("\x15midwatch look --from bo\t")
    zsh.wait_for("box\\ one.tar.gz")
    zsh.type("\x15midwatch --config report.t\t")
    zsh.wait_for("report.txt")


@pytest.mark.parametrize(
    ("typed", "offered"),
    [("Har", r"Harbour\ Print\ Room\'s,\ 2"), ('"Har', "Harbour Print Room's, 2")],
)
def test_a_name_with_blanks_stays_one_word_in_bash(
    typed: str, offered: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COMP_WORDS", f"midwatch\ncases\n--client\n{typed}")
    bash = get_completion_class("bash")
    assert bash is not None
    shell = bash(cli, {}, "midwatch", "_MIDWATCH_COMPLETE")
    assert shell.format_completion(CompletionItem("Harbour Print Room's, 2")) == f"plain,{offered}"
