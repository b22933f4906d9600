"""Writes a first settings file from what was found on a box: commented, to be filled in.

Drives are listed with their serial numbers so that their owner can say which bay each is in,
which is what a message tells a woken person to open. Nothing is set that the program would not do
without the file, so using it unchanged is harmless; the text loads without a fault.
"""

from __future__ import annotations

from watcher.facts.drive import DriveReading, DriveUnread, Unread
from watcher.facts.pool import Pool
from watcher.facts.survey import Survey
from watcher.facts.units import say_bytes
from watcher.notify.words import cut

LONGEST_WORD = 200
MOST_LISTED = 200
"""More drives than that are not listed one by one; our choice, to keep the file readable."""


def sketch(survey: Survey) -> str:
    """Give the text of a settings file for the box of a survey."""
    lines = [
        "## Settings of Midwatch for this box. Lines with two ## explain; to use one of the other",
        "## lines that begin with #, take the # away. All settings with their reasons stand in the",
        "## example config/midwatch.yaml.",
        "## Check this file with:  midwatch --config THIS_FILE config check",
        "",
        f"box_name: {quoted(cut(survey.box, 40).strip() or 'box')}",
        "",
        *_people(),
        *_drives(survey),
        *_pools(survey.pools),
    ]
    return "\n".join(lines).rstrip() + "\n"


def quoted(text: str) -> str:
    """Write a text in double quotes so that YAML reads it back as it is, whatever is in it."""
    return '"' + "".join(_escaped(c) for c in text) + '"'


def _escaped(c: str) -> str:
    """Escape what double quotes do not take as it is (YAML 1.2.2 section 5.7)."""
    if c in {'"', "\\"}:
        return f"\\{c}"
    if c.isprintable():
        return c
    return f"\\x{ord(c):02x}" if ord(c) < 0x100 else f"\\U{ord(c):08x}"


def _comment(text: str) -> str:
    """Make a text harmless inside a comment: one line, printable."""
    return "".join(c for c in " ".join(text.split()) if c.isprintable())


def _people() -> list[str]:
    return [
        "## Who is told. Until somebody is named here, messages are printed where the watch runs.",
        "## One example for each way to a phone is in config/. Keep the address in a file that",
        "## only the daemon may read; then try it with:  midwatch notify test",
        "#people:",
        "#  - name: owner",
        "#    targets:",
        "#      - name: phone",
        "#        url_file: /etc/midwatch/phone.url",
        "",
    ]


def _drives(survey: Survey) -> list[str]:
    """List the drives that were found."""
    lines = [
        "## Your drives. Put in each bay what stands on its door, in your own words: a message",
        "## will tell you to open it. Serial numbers are printed on the drives.",
    ]
    entries: list[str] = []
    used: set[str] = set()
    for reading in survey.drives[:MOST_LISTED]:
        entries += _drive(reading, used)
    for unread in survey.unread[: max(MOST_LISTED - len(survey.drives), 0)]:
        entries += _unread(unread, used)
    if len(survey.drives) + len(survey.unread) > MOST_LISTED:
        entries.append(f"  ## and more; only the first {MOST_LISTED} are listed.")
    if not any(line.lstrip().startswith("- ") for line in entries):
        key = ["#drives:"] if any(line.lstrip().startswith("#- ") for line in entries) else []
        lines.append("## No drive was found that tells its serial number.")
        return [*lines, *key, *entries, ""]
    return [*lines, "drives:", *entries, ""]


def _is_new(word: str | None, kind: str, used: set[str]) -> bool:
    """Tell whether a word can stand in the file, once among its kind; cheap bridges share one."""
    text = (word or "").strip(" ")
    if not text or len(text) > LONGEST_WORD or not text.isprintable() or f"{kind} {text}" in used:
        return False
    used.add(f"{kind} {text}")
    return True


def _drive(reading: DriveReading, used: set[str]) -> list[str]:
    who = reading.identity
    what = f"{who.model}, {say_bytes(who.capacity_bytes)}, now {reading.node}"
    if not _is_new(who.serial, "serial", used):
        return [f"  ## {_comment(what)}: has no serial number of its own"]
    lines = [f"  ## {_comment(what)}", f"  - serial: {quoted(who.serial)}"]
    if _is_new(reading.bay, "bay", used):
        return [*lines, f"    bay: {quoted(reading.bay or '')}"]
    return [*lines, '    #bay: "?"']


def _unread(unread: DriveUnread, used: set[str]) -> list[str]:
    """Name a drive that gave no reading, and what may help."""
    said = f"  ## {_comment(unread.node)}: {_comment(unread.detail)}"
    if unread.why is Unread.NO_SMART:
        return [
            said,
            "  ## If it sits behind a controller or a bridge, name its device type (smartctl -d):",
            f"  #- node: {quoted(unread.node)}",
            "  #  device_type: sat",
        ]
    if _is_new(unread.serial, "serial", used):
        return [said, f"  - serial: {quoted(unread.serial or '')}", '    #bay: "?"']
    return [said]


def _pools(pools: tuple[Pool, ...]) -> list[str]:
    """Name the pools that were found; they need no settings."""
    if not pools:
        return [
            "## No pool was found. One that cannot be seen from here can be declared:",
            "#pools:",
            "#  - name: orchard",
            "#    drives: [SERIAL1, SERIAL2]",
            "#    may_lose: 1",
            "",
        ]
    lines = ["## Pools that were found; they are watched without any setting:"]
    for pool in pools:
        full = "?" if pool.full_margin is None else str(pool.full_margin)
        margin = "?" if pool.margin is None else str(pool.margin)
        lines.append(
            f"##   {_comment(pool.name)}: {_comment(pool.layout)}, {pool.protection.value}, "
            f"margin {margin} of {full}"
        )
    return [*lines, ""]
