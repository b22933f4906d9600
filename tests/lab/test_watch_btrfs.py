"""The whole of it on something real: a btrfs mirror loses a drive, a person hears of it, answers,
replaces it, and the all-clear comes only when redundancy is really back.

The daemon is the real process, the mail server and the web server are real and on loopback, the
drives are loop devices of this machine.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.lab.at_once import AT_ONCE, HOOK, MAIL
from tests.lab.daemon import Daemon, cases_of, midwatch
from tests.lab.loops import btrfs_mirror, why_not
from tests.lab.receivers import (
    Hook,
    Mailbox,
    free_port,
    mail_server,
    wait_until,
    web_server,
)

LACKING = why_not()
pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(LACKING is not None, reason=f"a real btrfs {LACKING}"),
]

LABEL = "mw-watched"  # of its own: other tests may have a mirror on this machine, too
SETTINGS = AT_ONCE + MAIL + HOOK


def case_of_pool(config: Path) -> dict[str, Any]:
    found = [case for case in cases_of(config) if case["label"] == LABEL]
    (case,) = [case for case in found if not case["only_to_know"]]
    return case


def subjects(box: Mailbox) -> list[str]:
    return [str(mail["Subject"]) for mail in box.mails]


def text_of(box: Mailbox, number: int) -> str:
    mail = box.mails[number]
    parts = mail.walk() if mail.is_multipart() else [mail]
    return "\n".join(
        part.get_payload(decode=True).decode()  # type: ignore[union-attr]
        for part in parts
        if part.get_content_maintype() == "text"
    )


def test_a_mirror_loses_a_drive_and_is_followed_until_it_is_whole_again(tmp_path: Path) -> None:
    box, hook, port = Mailbox(), Hook(), free_port()
    config = tmp_path / "midwatch.yaml"
    with (
        mail_server(box, port),
        web_server(hook) as hook_port,
        btrfs_mirror(tmp_path, label=LABEL) as (mirror, (spare,)),
    ):
        config.write_text(
            SETTINGS.format(state=tmp_path / "state", mail=port, hook=hook_port), encoding="utf-8"
        )
        mirror.write("letters")
        daemon = Daemon(config)
        try:
            assert wait_until(lambda: "Watching." in daemon.text, 30), daemon.text
            assert LABEL in daemon.text
            assert "1 of 1" in daemon.text
            assert box.mails == []

            mirror.lose(mirror.drives[1])
            daemon.look()
            assert wait_until(lambda: len(box.mails) == 1 and len(hook.posts) == 1, 30), daemon.text
            assert subjects(box)[0].startswith(f"Now: {LABEL} on attic"), subjects(box)
            body = text_of(box, 0)
            assert "margin 0 of 1" in body
            number = str(case_of_pool(config)["number"])
            assert f"midwatch ack {number}" in body
            assert hook.posts[0][1]["title"] == subjects(box)[0]

            assert "is yours until" in midwatch(
                config, "ack", number, "--until", "2h", "--note", "drive is here"
            )
            assert case_of_pool(config)["answered_by"] == "ada"

            # replaced, but what was written meanwhile still has one copy: no all-clear
            mirror.replace(2, spare)
            daemon.look()
            assert wait_until(lambda: "redundancy" in midwatch(config, "case", number), 30)
            assert not [s for s in subjects(box) if "lear" in s], subjects(box)
            assert case_of_pool(config)["closed_at"] is None

            mirror.convert()
            daemon.look()
            assert wait_until(lambda: case_of_pool(config)["closed_at"] is not None, 30), (
                midwatch(config, "case", number) + daemon.text
            )
            assert wait_until(lambda: any("lear" in s for s in subjects(box)), 30), subjects(box)
            assert len(box.ids) == len(set(box.ids)), "a message came twice"
            assert daemon.stop() == 0
        finally:
            daemon.kill()
