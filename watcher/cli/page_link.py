"""The page of a case on the phone: its link, and the link as a QR code on the terminal."""

from __future__ import annotations

import secrets
import sys
from collections.abc import Iterator
from urllib.parse import urlencode

import segno

from watcher.cases.state import Case
from watcher.cli.exits import Stop
from watcher.cli.parts import Room, who_asks
from watcher.service.bootstrap import to_standing
from watcher.service.desk import KEY_BYTES
from watcher.service.links import link_address, new_link

BORDER = 2
"""Light modules around the code. ISO/IEC 18004 asks for four; a terminal's own edge and the need
to fit into it make two enough in practice (our choice)."""

_DARK_ON_LIGHT, _PLAIN = "\x1b[30;47m", "\x1b[0m"
_HALVES = {(0, 0): " ", (1, 0): "▀", (0, 1): "▄", (1, 1): "█"}


def page_lines(room: Room, case: Case) -> list[str]:
    """Say where the page of an open case is; nothing where there are no pages but on this machine.

    For a person of the settings the link opens it at once; for anybody else the page asks who
    they are.
    """
    page_url = to_standing(room.config).page_url
    if not page_url or not case.is_open:
        return []
    number = case.number
    query = f"?{urlencode({'box': room.at.box})}" if room.at is not None else ""
    address = f"{page_url}/case/{number}{query}"
    try:
        person = who_asks(room, None)
    except Stop:
        person = ""
    if person in {one.name for one in room.config.people}:
        with room.store.transaction() as tx:
            key = tx.key_to_sign(room.now, secrets.token_bytes(KEY_BYTES))
        address = link_address(page_url, new_link(person, room.box, number, room.now), key)
        lines = ["", f"On {person}'s phone: {address}"]
    else:
        lines = ["", f"On the phone: {address}"]
    if sys.stdout.isatty():
        lines += ["", *qr_lines(address)]
    return lines


def qr_lines(text: str) -> Iterator[str]:
    """Draw a text as a QR code of half blocks, dark on light whatever the terminal looks like."""
    rows = [
        list(row) for row in segno.make(text, micro=False, error="l").matrix_iter(border=BORDER)
    ]
    if len(rows) % 2:
        rows.append([0] * len(rows[0]))
    for upper, lower in zip(rows[::2], rows[1::2], strict=True):
        drawn = "".join(
            _HALVES[(int(a > 0), int(b > 0))] for a, b in zip(upper, lower, strict=True)
        )
        yield f"{_DARK_ON_LIGHT}{drawn}{_PLAIN}"
