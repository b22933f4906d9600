"""What a person may write by mistake is refused with its line and with what to write instead."""

from __future__ import annotations

from pathlib import Path

import pytest

from watcher.service.errors import ConfigError
from watcher.service.settings import Here, load, load_text

HERE = Here(host_name="attic", zone="UTC", is_root=True, home="/root")
RULES = {"scrub-overdue": ("days",)}
PHONE = "people:\n- name: Ana\n  targets:\n  - name: phone\n    url: "
QUIET = "people:\n- name: Ana\n  quiet:\n  - begin: 22:30\n    end: 07:00\n    weekdays: "
SCRUB = "    - rule: scrub-overdue\n      threshold: days\n      value: "
LADDER = "- rungs:\n  - people: [owner]\n    wait_minutes: 5\n"

TEXTS = [
    # The text as such
    ("survey:\n\tevery_minutes: 10\n", 2, "a tab stands", "indent with blanks"),
    ("survey:\n  every_minutes:\t10\n", 2, "a tab stands", "blank behind each colon"),
    ("survey:\n  every_minutes:10\n", 1, '"every_minutes:10"', "a blank is missing"),
    ("box_name:attic\n", 1, "a blank is missing", "name: value"),
    ("zone: UTC\nbox_name attic\n", 2, "no colon", "name: value"),
    ("survey:\n    every_minutes: 9\n  deep_every_hours: 8\n", 3, "not indented", "its group"),
    ("survey:\n  every_minutes: 9\n   deep_every_hours: 8\n", 3, "a colon", "indent this line"),
    ("zone: UTC\nbox_name: 'attic\n\n", 2, "a quote is opened", "close it"),
    ("zone: UTC\nsurvey: {every_minutes: 10\n", 2, "a bracket is opened", "[one, two]"),
    ('state_directory: "C:\\midwatch"\n', 1, "between double quotes", "single quotes"),
    ("box_name: @attic\n", 1, "no text begins with @", "in quotes"),
    ("zone: UTC\nbox_name: a\0b\n", 2, "cannot be shown", "UTF-8"),
    ("survey:\n\u00a0\u00a0every_minutes: 5\n", 2, "not an ordinary one", "anew"),
    ("survey:\n  every_minutes:\u00a05\n", 2, "not an ordinary one", "anew"),
    ("box_name: \u201cattic\u201d\n", 1, "box_name: its quotes are typographic", 'write "'),
    ("box_name: !!str attic\n", 1, "words that begin with !", "in quotes"),
    ("drives:\n- serial: AL3X09\n  bay: #3\n", 3, "drives[1].bay: what follows the #", "in quotes"),
    ("drives:\n- serial: AL3X09\n  bay: tray #3\n", 3, "what follows the #", "in quotes"),
    # Keys
    ("survey:\nevery_minutes: 10\n", 2, "no such key at this place", "below survey or heartbeat"),
    ("drives: []\nserial: AL3X09\n", 2, "at this place", "below drives"),
    ('"b\x1b": 1\n', 1, "cannot be shown", "remove it"),
    ('"b\\x1b[31mox": 1\n', 1, "b?[31mox: there is no such key", ""),
    # Values
    ("survey:\n  every_minutes: 99999999999999999999\n", 2, "out of range", "at most 1440"),
    (QUIET + "[mon-fri]\n", 6, '"mon-fri"', "each day named by itself"),
    (QUIET + "[monkey]\n", 6, '"monkey"', "one of mon, tue"),
    (QUIET + "[]\n", 6, "an empty list", "name days"),
    ("people:\n- name: Ana\n  away_until: 9999-12-31\n", 3, '"9999-12-31"', "2030-05-31"),
    ("people:\n- name: Ana\n  away_until: 0001-01-01\n", 3, '"0001-01-01"', "2030-05-31"),
    (PHONE + "ntfys://a.example/b, ntfys://c.example/d\n", 4, "more than one address", "each"),
    ("heartbeat:\n  url: https://\n", 1, "is not one", "must name a machine"),
    ("heartbeat:\n  url: ftp://a.example\n", 1, "is not one", "must begin with http"),
    ("heartbeat:\n  url_file: beat.url\n", 2, "is not usable", "a full path"),
    ("hub:\n  ca_file: hub.pem\n", 2, '"hub.pem"', "a full path"),
    ("web:\n  listen_address: ''\n", 2, '""', "127.0.0.1"),
    ("web:\n  listen_address: 127.0.0.1:8377\n", 2, '"127.0.0.1:8377"', "without a port"),
    ("shop:\n  listen_address: 8378\n", 2, '"8378"', "without a port"),
    ("web:\n  public_url: https://a.example:99999\n", 2, "99999", "a port from 1"),
    ("web:\n  public_url: https://a.example/?b=c\n", 2, "b=c", "without @, ? and #"),
    ("rules:\n  thresholds:\n" + SCRUB + "-3\n", 5, '"-3"', "at least 0"),
    ("rules:\n  thresholds:\n" + SCRUB + "9999999\n", 5, "out of range", "at most 1000000"),
    ("rules:\n  thresholds:\n" + SCRUB + "30\n" + SCRUB + "60\n", 6, "used twice", "keep one"),
    ("drives:\n- node: /dev/sda\n  bay: a\n- node: /dev/sda\n  bay: b\n", 4, "used twice", "own"),
    ("ladders:\n" + LADDER + LADDER, 5, "is never used: ladders above", "put it above"),
    ("ladders:\n" + LADDER + "  urgencies: [note]\n", 2, "notes climb no ladder", "remove it"),
]


@pytest.mark.parametrize(("text", "line", "wrong", "right"), TEXTS, ids=[t[0] for t in TEXTS])
def test_a_slip_is_refused_with_its_line_and_what_to_write(
    text: str, line: int, wrong: str, right: str
) -> None:
    with pytest.raises(ConfigError) as refused:
        load_text(text, "f.yaml", {}, here=HERE, rules=RULES)
    (fault,) = refused.value.faults
    assert fault.line == line
    said = str(fault)
    assert wrong in said.partition(";")[0]
    assert right in said.partition(";")[2]
    assert "\x1b" not in said


CLIENTS = "shop:\n  clients:\n  - {name: Bakery, people: [Ana]}\n"
OFF = "  - rule: scrub-overdue\n"
MAY_BE_MEANT = [
    QUIET + "[]\n",
    "upkeep:\n  busy:\n  - {begin: '08:00', end: '18:00', weekdays: []}\n",
    "survey:\n  every_minutes: 10 #5 was too often\n",
    "web:\n  public_url: #https://attic.example.org\n",
    "drives:\n- serial: AL3X09\n  bay: tray 3 #2 is empty\n",
    "box_name: \u201cattic\u201d\n",
    PHONE + "ntfys://a.example/b, ntfys://c.example/d\n",
    PHONE + "ntfys://a.example/b\n" + CLIENTS,
    "ladders:\n" + LADDER + LADDER,
    "ladders:\n" + LADDER + "  urgencies: [note]\n",
    "rules:\n  thresholds:\n" + SCRUB + "30\n" + SCRUB + "60\n",
    "rules:\n  off:\n" + OFF + OFF,
    "drives:\n- node: /dev/sda\n  bay: a\n- node: /dev/sda\n  bay: b\n",
]


@pytest.mark.parametrize("text", MAY_BE_MEANT)
def test_what_an_earlier_version_went_by_is_a_fault_that_keeps_no_watch_from_beginning(
    text: str,
) -> None:
    with pytest.raises(ConfigError) as refused:
        load_text(text, "f.yaml", {}, here=HERE, rules=RULES)
    assert refused.value.may_be_meant
    load_text(text, "f.yaml", {}, here=HERE, rules=RULES, lenient=True)


def test_beside_a_graver_fault_all_is_told_and_nothing_begins() -> None:
    with pytest.raises(ConfigError) as refused:
        load_text("box_name: attic #1\nzon: UTC\n", "f.yaml", {}, here=HERE, lenient=True)
    assert len(refused.value.faults) == 2
    assert not refused.value.may_be_meant


@pytest.mark.parametrize(
    "text",
    [
        "box_name: attic # 1 of 2\n",
        "box_name: # 1 of 2\n",
        "box_name: 'attic #1'\n",
        "box_name: attic#1\n",
        "box_name: '\u201cattic\u201d'\n",
        "box_name: attic's\n",
        "people:   #who is told\n- name: Ana\n",
        "\ufeffbox_name: attic\r\nzone: UTC\r\n",
        QUIET + "[Monday, tues, WED]\n",
        "drives:\n- {node: /dev/sda, device_type: sat}\n- {node: /dev/sda, device_type: scsi}\n",
        "web:\n  listen_address: '::1'\n",
        "web:\n  listen_address: attic.example.org\n",
        "ladders:\n" + LADDER + "  pools: [orchard]\n" + LADDER,
    ],
)
def test_what_only_looks_like_a_slip_is_taken(text: str) -> None:
    load_text(text, "f.yaml", {}, here=HERE)


@pytest.mark.parametrize(
    ("held", "line"),
    [
        ("zone: UTC\nbox_name: K\u00fcche\n".encode("latin-1"), 2),
        ("zone: UTC\n".encode("utf-16"), 1),
    ],
)
def test_a_file_in_another_encoding_is_refused_with_how_to_save_it(
    held: bytes, line: int, tmp_path: Path
) -> None:
    file = tmp_path / "f.yaml"
    file.write_bytes(held)
    with pytest.raises(ConfigError) as refused:
        load(str(file), {}, here=HERE)
    (fault,) = refused.value.faults
    assert (fault.line, "UTF-8" in fault.right) == (line, True)
