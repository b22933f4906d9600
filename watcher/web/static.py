"""The few files that pages need: a sheet of style, a picture for the tab, and one small script."""

from __future__ import annotations

from watcher.web.ask import Ask, Reply, not_found
from watcher.web.files import KINDS, files
from watcher.web.site import Site


def static(site: Site, ask: Ask) -> Reply:
    """Give a file."""
    del site
    name = ask.parts["name"]
    body = files().get(name)
    if body is None:
        raise not_found("file of that name")
    return Reply(
        body=body,
        kind=KINDS[name.rpartition(".")[2]],
        headers=(("cache-control", "public, max-age=31536000, immutable"),),
    )
