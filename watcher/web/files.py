"""The files that come with the pages."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

HERE = Path(__file__).parent

KINDS = {
    "css": "text/css; charset=utf-8",
    "svg": "image/svg+xml",
    "js": "text/javascript; charset=utf-8",
}


@cache
def files() -> dict[str, bytes]:
    """Give the files by name."""
    return {
        file.name: file.read_bytes()
        for file in sorted((HERE / "static").iterdir())
        if file.suffix.lstrip(".") in KINDS
    }


@cache
def stamp() -> str:
    """Give a word that changes whenever one of the files does."""
    return hashlib.sha256(b"".join(files().values())).hexdigest()[:12]
