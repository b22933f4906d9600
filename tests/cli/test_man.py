"""The manual page has every command and option, and roff takes it without a word."""

from __future__ import annotations

import shlex
import shutil
import subprocess

import click
import pytest

from tests.cli.state import command
from watcher.cli.exits import MEANING, Exit
from watcher.cli.main import COMMANDS, cli
from watcher.cli.man import EXAMPLES, page, roff

PAGE = page(cli)
PLAIN = PAGE.replace("\\-", "-").replace("\\&", "").replace("\\e", "\\")


def below(group: click.Group, path: str) -> list[tuple[str, click.Command]]:
    """Name all commands, also those below others."""
    found: list[tuple[str, click.Command]] = []
    context = click.Context(group, info_name=path)
    for name in group.list_commands(context):
        one = group.get_command(context, name)
        assert one is not None
        found.append((f"{path} {name}", one))
        if isinstance(one, click.Group):
            found += below(one, f"{path} {name}")
    return found


ALL = below(cli, "midwatch")


@pytest.mark.parametrize(("path", "one"), ALL, ids=[path for path, _ in ALL])
def test_every_command_is_there_with_every_option(path: str, one: click.Command) -> None:
    section = PLAIN.split(f"\n.SS {path}\n", 1)[1].split("\n.S", 1)[0]
    assert one.help
    for param in one.params:
        if isinstance(param, click.Option) and not param.hidden:
            assert max(param.opts, key=len) in section, param.name
            assert param.help, f"{path}: {param.opts} says nothing of itself"


def test_the_page_of_the_command_line_is_the_same() -> None:
    assert command(None, "man") == (0, PAGE)
    assert len(ALL) > len(COMMANDS)


def test_every_exit_status_is_there() -> None:
    for status in Exit:
        assert f".TP\n{int(status)}\n{MEANING[status]}" in PLAIN


def test_no_text_can_be_taken_for_a_word_of_roff() -> None:
    assert roff(".TH") == "\\&.TH"
    assert roff("'quoted'") == "\\&'quoted'"
    assert roff("a\\b --c") == "a\\eb \\-\\-c"


def test_roff_has_nothing_to_say() -> None:
    if shutil.which("groff") is None:
        pytest.skip("needs groff")
    done = subprocess.run(
        ["groff", "-man", "-Tutf8", "-ww", "-Kutf8"],
        input=PAGE.encode(),
        capture_output=True,
        check=True,
        timeout=60,
    )
    assert done.stderr == b""
    assert b"midwatch look" in done.stdout


def test_what_says_nothing_is_not_printed_and_the_help_is_named_once() -> None:
    assert "No more is said" not in PLAIN
    assert PLAIN.count("Show this message and exit.") == 1


@pytest.mark.parametrize("line", [line for _, line in EXAMPLES])
def test_every_example_is_a_command_with_its_options(line: str) -> None:
    for words in line.split(";"):
        said = shlex.split(words.partition(">")[0])
        assert said[0] == "midwatch"
        one: click.Command = cli
        context = click.Context(cli, info_name="midwatch")
        rest = said[1:]
        while isinstance(one, click.Group):
            found = one.get_command(context, rest.pop(0))
            assert found is not None, words
            one = found
        one.make_parser(context).parse_args(list(rest))
