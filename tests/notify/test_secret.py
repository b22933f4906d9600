"""A secret shows itself only when asked by name."""

from __future__ import annotations

import copy
import json
import pickle

import pytest

from watcher.notify.secret import HIDDEN, Secret


def test_nothing_that_prints_shows_the_text() -> None:
    secret = Secret("  hushword\n")
    assert secret.reveal() == "hushword"
    assert f"{secret} {secret!r} {secret!s} {secret:>12} {[secret]} {(secret,)}".count("hush") == 0
    assert f"{secret}" == HIDDEN


def test_it_cannot_be_written_down() -> None:
    secret = Secret("hushword")
    with pytest.raises(TypeError, match="not written down"):
        pickle.dumps(secret)
    with pytest.raises(TypeError, match="not written down"):
        copy.deepcopy(secret)
    with pytest.raises(TypeError, match="not JSON serializable"):
        json.dumps({"url": secret})


def test_it_compares_by_text_and_is_empty_without_one() -> None:
    assert Secret("a") == Secret("a ")
    assert Secret("a") != Secret("b")
    assert Secret("a") != "a"
    assert len({Secret("a"), Secret("a")}) == 1
    assert not Secret(" ")
