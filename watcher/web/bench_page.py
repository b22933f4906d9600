"""The statement about a drive on the bench as one file to print, its style inside."""

from __future__ import annotations

from datetime import tzinfo

from markupsafe import Markup

from watcher.service.statement import Statement
from watcher.web.files import files
from watcher.web.site import make_templates
from watcher.web.words import Clockwork


def as_file(statement: Statement, zone: tzinfo) -> bytes:
    """Give the page."""
    style = Markup(files()["midwatch.css"].decode())  # noqa: S704 - our own file
    clock = Clockwork(now=statement.made_at, zone=zone)
    page = make_templates().get_template("bench.html")
    return page.render(statement=statement, style=style, clock=clock).encode()
