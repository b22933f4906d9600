"""What midwatch stands on: the closure of its needs as installed here, their versions and licences.

``python -m tests.house.supply`` writes two files anew from what is installed in this environment:
``tests/constraints.txt`` (the versions that the tests run with; ``tests/run.sh`` installs them) and
``watcher/licences.txt`` (what is installed beside midwatch, and under which terms). Run it after a
new environment was made without the constraints, read the difference, and run all tests.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[2]
CONSTRAINTS = ROOT / "tests" / "constraints.txt"
LICENCES = ROOT / "watcher" / "licences.txt"

SHIPPED_EXTRAS = ("postgres", "mqtt", "hub")

CONSTRAINTS_HEAD = """\
# The versions that the tests run with, on Python 3.11 to 3.13.
# Written by python -m tests.house.supply.
"""
LICENCES_HEAD = """\
Midwatch itself: Apache-2.0. It ships no code of others; what it stands on is installed beside it by
pip. Its table of signs (watcher/rules) holds numbers fitted on open drive statistics, and none of
their records.
Written by python -m tests.house.supply from the packages' own words.

package                 needed for   licence
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
    """One package that is installed because of midwatch."""

    name: str
    version: str
    licence: str
    needed_for: str  # "always", "mqtt", "postgres" or "tests"


def closure(name: str, extras: Iterable[str]) -> dict[str, Distribution]:
    """Give all that a distribution needs with some extras, as installed here."""
    found: dict[str, Distribution] = {}
    todo = [(name, tuple(extras))]
    seen: set[tuple[str, str]] = set()
    while todo:
        here, wanted = todo.pop()
        try:
            one = distribution(here)
        except PackageNotFoundError:
            continue
        found[canonicalize_name(here)] = one
        for text in one.requires or ():
            need = Requirement(text)
            for extra in ("", *wanted):
                if need.marker is not None and not need.marker.evaluate({"extra": extra}):
                    continue
                key = (canonicalize_name(need.name), ",".join(sorted(need.extras)))
                if key not in seen:
                    seen.add(key)
                    todo.append((need.name, tuple(need.extras)))
    found.pop(canonicalize_name(name), None)
    return found


_PLAIN = {
    "Apache Software License": "Apache-2.0",
    "Apache License 2.0": "Apache-2.0",
    "Apache 2.0": "Apache-2.0",
    "BSD License": "BSD",
    "MIT License": "MIT",
    "Python Software Foundation License": "PSF-2.0",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
}
"""Words of packages that do not use SPDX's, and what they are there (spdx.org/licenses)."""


def licence_of(one: Distribution) -> str:
    """Give the licence in the package's words: its expression, else its text, else its class."""
    words = one.metadata
    expression = words.get("License-Expression")
    if expression:
        return str(expression)
    classes = [
        value.rpartition(" :: ")[2]
        for key, value in words.items()
        if key == "Classifier" and value.startswith("License :: OSI Approved ::")
    ]
    text = str(words.get("License") or "").strip().partition("\n")[0]
    if text and len(text) < 40:
        return _PLAIN.get(text, text)
    return " and ".join(sorted({_PLAIN.get(name, name) for name in classes})) or "not told"


def needed() -> tuple[Needed, ...]:
    """Give all that is installed because of midwatch, by name; what is always needed says so."""
    why: dict[str, str] = {}
    have: dict[str, Distribution] = {}
    groups: Mapping[str, tuple[str, ...]] = {
        "tests": ("test", *SHIPPED_EXTRAS),
        **{extra: (extra,) for extra in SHIPPED_EXTRAS},
        "always": (),
    }
    for word, extras in groups.items():
        for name, one in closure("midwatch", extras).items():
            why[name], have[name] = word, one
    return tuple(
        Needed(
            name=name,
            version=have[name].version,
            licence=licence_of(have[name]),
            needed_for=why[name],
        )
        for name in sorted(have)
    )


def constraints_text(all_needed: Iterable[Needed]) -> str:
    """Write the versions down."""
    return CONSTRAINTS_HEAD + "".join(f"{one.name}=={one.version}\n" for one in all_needed)


def licences_text(all_needed: Iterable[Needed]) -> str:
    """Write the licences down; what only the tests need is not installed with midwatch."""
    rows = [one for one in all_needed if one.needed_for != "tests"]
    return LICENCES_HEAD + "".join(
        f"{one.name:23} {one.needed_for:12} {one.licence}\n" for one in rows
    )


def pinned(text: str) -> dict[str, str]:
    """Read a file of constraints. Raises ValueError for a line that is not a name and a version."""
    found = {}
    for line in text.splitlines():
        if line.startswith("#") or not line.strip():
            continue
        match = re.fullmatch(r"([a-z0-9-]+)==([0-9][0-9a-z.+!]*)", line)
        if match is None:
            raise ValueError(f"not a name and a version: {line!r}")
        found[match[1]] = match[2]
    return found


def main() -> None:
    """Write both files."""
    all_needed = needed()
    CONSTRAINTS.write_text(constraints_text(all_needed), encoding="utf-8")
    LICENCES.write_text(licences_text(all_needed), encoding="utf-8")
    print(f"{len(all_needed)} packages: {CONSTRAINTS.name}, {LICENCES.name}")


if __name__ == "__main__":
    main()
