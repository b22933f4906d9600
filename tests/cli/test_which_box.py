"""At a hub the everyday commands are about the box that was named, and never about another."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import pytest
from click.shell_completion import ShellComplete

from tests.cli.hub_state import prepare_hub
from tests.cli.state import command, prepare
from watcher.cases.state import Book
from watcher.cli.exits import Exit
from watcher.cli.main import cli
from watcher.facts.identity import BoxId
from watcher.service.clock import SystemClock
from watcher.store.database import open_store

PRESS, NAS, OTHER = BoxId("press"), BoxId("nas"), BoxId("nas (Orchard Press)")


@pytest.fixture
def hub(tmp_path: Path) -> Path:
    return prepare_hub(tmp_path)


def book(hub: Path, box: BoxId) -> tuple[Book, datetime | None]:
    """Give the book of a box, and when it falls due."""
    place = hub.parent / "midwatch.db"
    with open_store(place, now=SystemClock().now(), check=False) as store, store.snapshot() as tx:
        enrolled = tx.enrolled(box)
        return tx.load_book(box), enrolled.due_at if enrolled is not None else None


def number(hub: Path, *named: str) -> str:
    """Give the number of the one case of a box that somebody must act on."""
    _, text = command(hub, "cases", "--json", *named)
    (case,) = [one for one in json.loads(text) if one["urgency"] != "note"]
    return str(case["number"])


def test_a_case_of_the_named_box_is_shown_and_taken_and_no_other(hub: Path) -> None:
    case = number(hub, "--box", "press")
    status, text = command(hub, "case", case, "--box", "press")
    assert status == 0
    assert text.startswith(f"Case {case} of press (Harbour Print Room): ")
    assert f"midwatch ack {case} --box press --until 18:00" in text
    before = {box: book(hub, box) for box in (PRESS, NAS, OTHER)}
    status, text = command(hub, "ack", case, "--box", "press", "--until", "3h", "--by", "sam")
    assert status == 0
    assert f"Case {case} of press (Harbour Print Room) is yours until" in text
    taken, due = book(hub, PRESS)
    answer = taken.open_cases[0].answer
    assert answer is not None
    assert answer.by == "sam"
    assert due is not None
    assert due != before[PRESS][1], "a quiet box sends nothing that would set it"
    for box in (NAS, OTHER):
        assert book(hub, box) == before[box]


def test_where_two_clients_call_a_box_the_same_it_must_be_said_whose(hub: Path) -> None:
    status, text = command(hub, "cases", "--box", "nas")
    assert status == Exit.NOT_FOUND
    assert "2 boxes answer to “nas”: nas of Harbour Print Room, nas (Orchard Press) of" in text
    assert "Say whose you mean with --client." in text
    case = number(hub, "--box", "nas", "--client", "Orchard Press")
    words = ("ack", case, "--box", "nas", "--client", "Orchard Press", "--by", "sam")
    assert command(hub, *words)[0] == 0
    assert book(hub, OTHER)[0].open_cases[0].answer is not None
    assert book(hub, NAS)[0].open_cases[0].answer is None
    assert command(hub, "cases", "--box", "nas (Orchard Press)")[0] == 0


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("cases", "--box", "attic"), Exit.NOT_FOUND, "No box is called “attic”; known are: nas,"),
        (("cases", "--client", "Nobody"), Exit.NOT_FOUND, "No client with a box here is called"),
        (
            ("cases", "--client", "Harbour Print Room"),
            Exit.WRONG_WORDS,
            "Name the box of Harbour Print Room with --box: nas, press.",
        ),
        (
            ("case", "1", "--box", "press", "--client", "Orchard Press"),
            Exit.NOT_FOUND,
            "No box of Orchard Press is called “press”",
        ),
        (("case", "99", "--box", "press"), Exit.NOT_FOUND, "midwatch cases --all --box press"),
        (("case", "99"), Exit.NOT_FOUND, "This is the hub's own book; for a box's name it"),
        (("ack", "99", "--by", "sam"), Exit.NOT_FOUND, "This is the hub's own book"),
    ],
)
def test_what_cannot_be_found_is_said_plainly(
    hub: Path, words: tuple[str, ...], status: Exit, said: str
) -> None:
    found, text = command(hub, *words)
    assert found == status
    assert said in text


def test_the_only_box_of_a_client_need_not_be_named(hub: Path) -> None:
    assert command(hub, "cases", "--client", "Orchard Press")[0] == 0


def test_without_a_box_the_hubs_own_book_is_meant_and_that_is_said(hub: Path) -> None:
    status, text = command(hub, "cases")
    assert status == 0
    assert "This is the hub's own book; 3 boxes have something open" in text
    assert command(hub, "cases", "--box", "workshop")[0] == 0


def test_at_a_single_box_there_is_nothing_to_name_but_itself(tmp_path: Path) -> None:
    config = prepare(tmp_path)
    assert command(config, "cases", "--box", "attic")[0] == 0
    status, text = command(config, "cases", "--box", "press")
    assert status == Exit.NOT_FOUND
    assert "This is no hub: the only box here is “attic”." in text
    assert "hub's own book" not in command(config, "cases")[1]


def test_a_case_is_handed_over_by_the_policy_of_its_client(hub: Path) -> None:
    case = number(hub, "--box", "press")
    words = ("hand-over", case, "--box", "press", "--by", "sam")
    status, _ = command(hub, *words, "bob")
    assert status == Exit.REFUSED, "bob is of another client and hears of nothing here"
    status, text = command(hub, "hand-over", case, "sam", "--box", "press", "--by", "sam")
    assert status == 0
    assert f"sam is told that case {case} of press (Harbour Print Room) is theirs now." in text


def test_quiet_is_kept_for_a_pool_a_box_or_all_of_a_client(hub: Path) -> None:
    more = ("--until", "2d", "--reason", "known", "--by", "sam")
    status, text = command(hub, "silence", "add", "--box", "press", "--pool", "media", *more)
    assert status == 0, text
    status, text = command(hub, "silence", "add", "--box", "press", *more)
    assert "Quiet about the whole box press until" in text
    assert [s.scope.value for s in book(hub, PRESS)[0].silences] == ["pool", "box"]
    status, text = command(hub, "silence", "add", "--client", "Harbour Print Room", *more)
    assert "Quiet about 2 boxes of Harbour Print Room until" in text
    assert [s.key for s in book(hub, NAS)[0].silences] == ["Harbour Print Room"]
    assert book(hub, OTHER)[0].silences == ()
    assert "pool media" in command(hub, "silence", "list", "--box", "press")[1]
    assert command(hub, "silence", "end", "1", "--box", "press", "--by", "sam")[0] == 0
    status, text = command(hub, "silence", "add", "--client", "Nobody", *more)
    assert status == Exit.NOT_FOUND
    status, text = command(
        hub, "silence", "add", "--box", "press", "--pool", "media", "--rule", "drive-gone", *more
    )
    assert status == Exit.WRONG_WORDS


def test_work_is_announced_for_the_named_box_and_ended_there(hub: Path) -> None:
    words = ("--expect", "box off", "--for", "3h", "--by", "sam", "--box", "press")
    assert command(hub, "maintenance", "begin", *words)[0] == 0
    assert command(hub, "maintenance", "plan", *words, "--start", "sat 22:00")[0] == 0
    assert len(book(hub, PRESS)[0].works) == 2
    assert book(hub, NAS)[0].works == ()
    assert "sam: box off" in command(hub, "maintenance", "list", "--box", "press")[1]
    assert command(hub, "maintenance", "end", "1", "--by", "sam", "--box", "press")[0] == 0


@pytest.mark.parametrize(
    "words", [("ready",), ("drives",), ("exposure", "media"), ("recovery",), ("recovery", "media")]
)
def test_what_only_looks_can_be_asked_of_a_named_box(hub: Path, words: tuple[str, ...]) -> None:
    status, text = command(hub, *words, "--box", "press")
    assert status == 0, text


def test_a_drive_of_a_named_box_is_shown_and_expected_no_more(hub: Path) -> None:
    for words in (("drive", "X0000"), ("history", "X0000"), ("retire", "X0000")):
        status, text = command(hub, *words, "--box", "press")
        assert status == 0, text
    assert command(hub, "drive", "X0000", "--client", "Orchard Press")[0] == Exit.NOT_FOUND


def completions(settings: Path | None, option: str, begun: str) -> list[str]:
    words = ["--config", str(settings)] if settings is not None else []
    found = ShellComplete(cli, {}, "midwatch", "_X").get_completions(
        [*words, "ack", "3", option], begun
    )
    return [item.value for item in found]


def test_a_shell_completes_the_names_of_boxes_and_clients(hub: Path, tmp_path: Path) -> None:
    assert completions(hub, "--box", "na") == ["nas", "nas (Orchard Press)"]
    assert completions(hub, "--client", "") == ["Harbour Print Room", "Orchard Press"]
    broken = tmp_path / "broken.yaml"
    broken.write_text("weather: fine\n")
    assert completions(broken, "--box", "") == []
    empty = tmp_path / "empty.yaml"
    empty.write_text(f"state_directory: {tmp_path / 'nothing'}\n")
    assert completions(empty, "--client", "") == []


def test_a_box_that_was_given_back_has_nothing_to_do_however_it_was_then(hub: Path) -> None:
    assert "1 now" in command(hub, "hub", "boxes")[1]
    for box in (PRESS, NAS, OTHER):
        assert command(hub, "hub", "return", box)[0] == 0
    text = command(hub, "hub", "boxes")[1]
    assert "1 now" not in text
    assert text.count("nothing to do") == 3
    assert "no box has anything open" in command(hub, "cases")[1]


def test_what_is_shown_to_be_done_next_names_box_and_client_as_they_were_named(hub: Path) -> None:
    named = ("--box", "nas", "--client", "Orchard Press")
    _, text = command(hub, "case", number(hub, *named), *named)
    assert "--box 'nas (Orchard Press)' --client 'Orchard Press' --until" in text


def test_a_box_that_is_called_with_its_client_is_not_said_to_be_of_that_client_twice(
    hub: Path,
) -> None:
    named = ("--box", "nas (Orchard Press)")
    text = command(hub, "ack", number(hub, *named), *named, "--by", "sam")[1]
    assert " of nas (Orchard Press) is yours" in text


def test_nobody_of_one_client_answers_for_another(hub: Path) -> None:
    """Others would rely on it: whose the boxes are decides who may take, hush and hand over."""
    case = number(hub, "--box", "press")
    words = ("ack", case, "--box", "press", "--until", "3h", "--by")
    status, text = command(hub, *words, "bob")
    assert status == Exit.REFUSED
    assert "bob is of Orchard Press, and this is not theirs; known are: sam, ann." in text
    assert command(hub, *words, "ann")[0] == 0
    quiet = ("silence", "add", "--client", "Orchard Press", "--until", "2d", "--reason", "known")
    assert command(hub, *quiet, "--by", "ann")[0] == Exit.REFUSED
    assert command(hub, *quiet, "--by", "bob")[0] == 0
    own = ("silence", "add", "--rule", "many-boxes-quiet", "--until", "2d", "--reason", "known")
    assert command(hub, *own, "--by", "ann")[0] == Exit.REFUSED
