"""What mdadm adds: identity, name and age."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.lab.step_host import kept_step
from watcher.facts.drive import Unread
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.pools.md_detail import (
    DETAIL,
    EXPORT,
    parse_age,
    parse_export,
    read_age,
    read_export,
)
from watcher.readers.recorded import RecordedHost

STEP = kept_step("md_raid5", "02-healthy")


def test_identity_and_name_are_read() -> None:
    """Printed by mdadm 4.2."""
    text = STEP["mdadm-detail-export.txt"]
    assert parse_export(text) == ("ce391fe7:343f770f:00b6873b:4fac137a", "lab:tank")


def test_an_array_without_superblock_has_no_identity() -> None:
    assert parse_export("MD_LEVEL=raid0\nMD_DEVICES=2\n") == (None, None)


@pytest.mark.parametrize("text", ["", "\n", "hello", "MD_UUID=x\n", "MD_LEVEL=raid5\ncut"])
def test_an_answer_that_describes_no_array_is_refused(text: str) -> None:
    with pytest.raises(CannotParse):
        parse_export(text)


def test_age_is_from_creation_to_last_update() -> None:
    """Printed by mdadm 4.2: created 05:48:28, updated 05:48:32."""
    assert parse_age(kept_step("md_raid5", "01-initial-sync")["mdadm-detail.txt"]) == timedelta(
        seconds=4
    )


@pytest.mark.parametrize(
    "text",
    [
        "",
        "     Creation Time : Wed Nov 25 05:48:28 2026\n",
        "     Creation Time : Wed Nov 25 05:48:28 2026\n       Update Time : yesterday\n",
        (
            "     Creation Time : Wed Nov 31 05:48:28 2026\n"
            "       Update Time : Wed Nov 25 05:48:32 2026\n"
        ),
        (
            "     Creation Time : Thu Nov 26 05:48:28 2026\n"
            "       Update Time : Wed Nov 25 05:48:32 2026\n"
        ),
        (
            "     Creation Time : Wed Nov 25 05:48:28 2026\n"
            "     Creation Time : Wed Nov 25 05:48:28 2026\n"
            "       Update Time : Wed Nov 25 05:48:32 2026\n"
        ),
    ],
)
def test_an_age_that_cannot_be_told_is_refused(text: str) -> None:
    with pytest.raises(CannotParse):
        parse_age(text)


@given(st.text())
def test_any_text_is_read_or_refused(text: str) -> None:
    for parse in (parse_export, parse_age):
        try:
            parse(text)
        except CannotParse:
            continue


def test_asking_names_the_array() -> None:
    host = RecordedHost(
        programs={
            (*EXPORT, "/dev/md0"): (0, STEP["mdadm-detail-export.txt"], ""),
            (*DETAIL, "/dev/md0"): (0, STEP["mdadm-detail.txt"], ""),
        }
    )
    assert read_export(host, "md0")[1] == "lab:tank"
    assert read_age(host, "md0") > timedelta(0)


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ("mdadm: must be super-user to perform this action", Unread.FORBIDDEN),
        ("mdadm: /dev/md0 does not appear to be an md device", Unread.GARBLED),
        ("", Unread.GARBLED),
    ],
)
def test_a_refusal_says_why(said: str, why: Unread) -> None:
    host = RecordedHost(programs={(*EXPORT, "/dev/md0"): (1, "", said)})
    with pytest.raises(CannotRead) as caught:
        read_export(host, "md0")
    assert caught.value.why is why


def test_no_mdadm_is_told_as_that() -> None:
    with pytest.raises(CannotRead) as caught:
        read_age(RecordedHost(), "md0")
    assert caught.value.why is Unread.TOOL_MISSING
