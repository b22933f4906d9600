"""A QR code (ISO/IEC 18004) as a picture in a page, without a style of its own."""

from __future__ import annotations

import io

import segno
from markupsafe import Markup


def draw_qr(text: str, title: str = "QR code of this page's address") -> Markup:
    """Draw a text as a QR code; dark on light whatever the page looks like."""
    made = segno.make(text, micro=False, error="m")
    out = io.BytesIO()
    made.save(
        out,
        kind="svg",
        xmldecl=False,
        svgns=False,
        nl=False,
        scale=3,
        dark="#000",
        light="#fff",
        svgclass="qr",
        lineclass=None,
        title=title,
    )
    return Markup(out.getvalue().decode())  # noqa: S704 - squares of our own making
