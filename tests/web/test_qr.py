"""The QR code holds what it should: read back module by module from the picture."""

from __future__ import annotations

import re

import segno

from watcher.web.qr import draw_qr

TEXT = "https://watch.example/case/3"


def modules(svg: str) -> set[tuple[int, int]]:
    """Read the dark modules from the path of horizontal strokes."""
    path = re.findall(r' d="([^"]*)"', svg)[-1]
    x = y = 0.0
    dark = set()
    for kind, one, _, two in re.findall(r"([MmhH])(-?[\d.]+)(\s+(-?[\d.]+))?", path):
        if kind == "M":
            x, y = float(one), float(two)
        elif kind == "m":
            x, y = x + float(one), y + float(two)
        else:
            for step in range(int(float(one))):
                dark.add((int(x) + step, int(y)))
            x += float(one)
    return dark


def test_the_picture_has_the_dark_modules_of_the_code() -> None:
    made = segno.make(TEXT, micro=False, error="m")
    wanted = {
        (x, y) for y, row in enumerate(made.matrix_iter(border=4)) for x, m in enumerate(row) if m
    }
    assert modules(str(draw_qr(TEXT))) == wanted


def test_the_picture_needs_no_style_of_its_own_and_has_a_name() -> None:
    svg = str(draw_qr(TEXT))
    assert "style=" not in svg
    assert 'class="qr"' in svg
    assert "<title>" in svg
