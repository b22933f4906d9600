from __future__ import annotations

import pytest

from tests.web.stage import WORSE, stage_at
from watcher.web.ask import Ask, Refusal
from watcher.web.static import static

STAGE = stage_at(WORSE)


def ask(name: str) -> Ask:
    return Ask(method="GET", path=f"/static/{name}", now=STAGE.clock.now(), parts={"name": name})


def test_a_file_comes_with_its_kind_and_may_be_kept_for_long() -> None:
    reply = static(STAGE.site, ask("midwatch.css"))
    assert reply.kind.startswith("text/css")
    assert ("cache-control", "public, max-age=31536000, immutable") in reply.headers


@pytest.mark.parametrize("name", ["nothing.css", "../site.py", "__init__.py", ""])
def test_there_is_no_other_file(name: str) -> None:
    with pytest.raises(Refusal):
        static(STAGE.site, ask(name))
