"""A cheap first look: which lines of a log can matter at all.

A kernel message begins with the name of its speaker, so one anchored test of the first letters
tells most of the log from the few lines that are worth the full search. The prefix (date, host,
``[ 123.456]``) is skipped in the same step. The test errs on the side of keeping a line: a line
whose prefix is not understood is kept.
"""

from __future__ import annotations

import re

_SPEAKERS = (
    r"3w-",
    r"A(?:AC:|CPI: (?:PM: )?Waking|ER: |MD-Vi|borting journal)",
    r"B(?:TRFS|uffer I/O)",
    r"DMAR",
    r"EXT\d",
    r"F(?:2FS|AT-fs|reezing)",
    r"HFS|hfsplus",
    r"I(?:/O |NFO: task)",
    r"J(?:BD2?:|FS)",
    r"NILFS|OCFS2|UDF-fs|VFS: Dirty",
    r"PM: ",
    r"R(?:EISERFS|estarting)",
    r"Suspending",
    r"WARNING: Pool",
    r"XFS",
    r"a(?:acraid|hci|rcmsr|ta\d)",
    r"b(?:cache|lk_|vme)",
    r"critical ",
    r"d(?:evice[ -]|m-|rbd)",
    r"e(?:nd_request|xFAT)",
    r"f(?:loppy|d\d)",
    r"gfs2",
    r"h(?:d[a-l]|psa|ub )",
    r"i(?:de\d|rq )",
    r"l(?:ost page|oop\d)",
    r"m(?:d|ega|mc|pt|vsas|irror)",
    r"n(?:vme|tfs|bd|onblocking)",
    r"operation not",
    r"p(?:cie|rint_req|rotection)",
    r"r(?:aid|ecover|eservation)",
    r"s(?:d|r\d|r |csi|t |es |martpqi|as: |g )",
    r"timeout error",
    r"usb",
    r"vd[a-z]|xvd",
    r"z(?:io|one)",
    r"(?:kernel|resource|transport|invalid) ",
    r" +res ",
    r"\[[a-z]",  # a message that begins with a name in brackets
)

INTEREST = "(?:" + "|".join(_SPEAKERS) + ")"

_USUAL = (
    r"(?P<date>[A-Z][a-z][a-z] .{11}) [^ \n]++ kernel: "
    r"\[ *+(?P<seconds>\d{1,12}+\.\d{1,9}+)\] (?![\s\[])"
)
_BORING = (
    rf"(?:[A-Z]\w\w [ \d]\d [\d:]{{8}} \S++ kernel: )?\[ *+\d++\.\d++\] (?!{INTEREST})|"
    rf"[A-Z]\w\w [ \d]\d [\d:]{{8}} \S++ kernel: (?!{INTEREST}|\[ *\d+\.)|"
    r"[A-Z]\w\w [ \d]\d [\d:]{8} \S++ (?!kernel)[\w.@-]++(?:\[\d++\])?+: |"
    r"\n|\Z"
)
# the usual form first and only once, since most lines of a busy log are of it
_not_boring = re.compile(
    (
        rf"\n(?P<whole>(?:{_USUAL})?+(?(date)(?={INTEREST})|(?!{_BORING}))"
        r"(?P<message>[^\n]*+))"
    ).encode("ascii")
)
_json_interest = re.compile(rf'"MESSAGE" ?: ?(?:"(?:{INTEREST}|\\t|\[|[^"\\]*\\n)|\[|null)')


Piece = tuple[bytes, bytes, bytes, bytes]
"""A line of a log file: the whole of it; its date ("Nov 25 13:22:01", unchecked), the seconds since
the start of the machine, and the message behind them. In a form of line other than that the message
is the whole and the others are empty."""


def pieces(block: bytes) -> list[Piece]:
    """Give the lines of a piece of a log file that may mean something, in order.

    Lines of other programs in a mixed file (``sshd[12]:``) are left out.
    """
    return _not_boring.findall(b"\n" + block)


def worth_reading_json(text: str) -> list[str]:
    """Give the lines of journal JSON whose message may mean something, in order."""
    kept: list[str] = []
    position = 0
    while True:
        found = _json_interest.search(text, position)
        if found is None:
            return kept
        start = text.rfind("\n", 0, found.start()) + 1
        end = text.find("\n", found.end())
        end = len(text) if end < 0 else end
        kept.append(text[start:end])
        position = end
