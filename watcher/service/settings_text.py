"""From the text of a settings file to plain values that remember their lines.

YAML 1.1 guesses types: the serial number ``012`` would become 10, ``22:30`` would become 1350 and
``no`` would become False. So nothing is guessed here: every scalar stays the text that was
written, and the shape of the settings (``settings_shape.py``) says what it is. Only a plain empty
value, ``~`` and ``null`` mean "not given".

Refused, with the line: a key that is written twice (YAML lets the last one win silently), anchors
and aliases (a few lines can stand for gigabytes), tags, more than one document, a file above 256
KiB, more than 12 levels, and the slips of ``settings_slips.py``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import yaml

from watcher.service.errors import Fault
from watcher.service.settings_slips import no_keys, odd_blank, slip_in, unreadable, whole

LONGEST_FILE_BYTES = 256 * 1024
"""Our choice: a thousand drives take about 100 KiB."""
DEEPEST_LEVEL = 12
"""Our choice: the settings need six."""

Plain = str | None | list["Plain"] | dict[str, "Plain"]
Path = tuple[str | int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parsed:
    """The values of a file, and on which line each key begins."""

    values: dict[str, Plain]
    lines: dict[Path, int] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()

    def line_of(self, path: Path) -> int | None:
        """Give the line of a key, or of the closest one above it."""
        for length in range(len(path), -1, -1):
            line = self.lines.get(path[:length])
            if line is not None:
                return line
        return None


def say_path(path: Path) -> str:
    """Say where a value is: ``people[1].targets[2].url``, counted from 1."""
    said = ""
    for step in path:
        said += f"[{step + 1}]" if isinstance(step, int) else (f".{step}" if said else step)
    return said


def _nothing(fault: Fault) -> Parsed:
    return Parsed(values={}, faults=(fault,))


def parse_text(text: str) -> Parsed:
    """Take a settings file apart; never raises. An empty file gives no values and no faults."""
    size = len(text.encode("utf-8", "replace"))
    if size > LONGEST_FILE_BYTES:
        most = f"a settings file has at most {LONGEST_FILE_BYTES // 1024} KiB"
        return _nothing(whole(f"the file is {size // 1024} KiB long", most, None))
    try:
        refused = odd_blank(text) or _too_much(text)
        if refused is not None:
            return _nothing(refused)
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.YAMLError as error:
        return _nothing(unreadable(error, text))
    if node is None or (isinstance(node, yaml.ScalarNode) and not node.value):
        return Parsed(values={}, lines={(): 1})
    if not isinstance(node, yaml.MappingNode):
        return _nothing(no_keys(str(node.value), node.start_mark.line + 1))
    walk = _Walk(text)
    values = walk.mapping(node, ())
    return Parsed(values=values, lines=walk.lines, faults=tuple(walk.faults))


def _too_much(text: str) -> Fault | None:
    """Refuse what would cost much to build, before building it."""
    level = 0
    documents = 0
    for event in yaml.parse(text, Loader=yaml.SafeLoader):
        line = event.start_mark.line + 1 if event.start_mark is not None else None
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            return whole(
                "anchors (&) and aliases (*) are not used here",
                "write the value out, or put it in quotes if it begins with & or *",
                line,
            )
        if getattr(event, "tag", None):
            wrong = "words that begin with ! are not used here"
            return whole(wrong, "put the text in quotes if it begins so, or leave that out", line)
        if isinstance(event, yaml.DocumentStartEvent):
            documents += 1
            if documents > 1:
                wrong = "a second document begins here"
                return whole(wrong, "a settings file is one document: remove the line ---", line)
        if isinstance(event, yaml.CollectionStartEvent):
            level += 1
            if level > DEEPEST_LEVEL:
                wrong = "more levels than any setting has"
                return whole(wrong, "check the indentation and the brackets", line)
        if isinstance(event, yaml.CollectionEndEvent):
            level -= 1
    return None


class _Walk:
    """Goes through the nodes once and remembers lines and faults."""

    def __init__(self, text: str) -> None:
        self.rows = text.removeprefix("\ufeff").splitlines()
        self.lines: dict[Path, int] = {(): 1}
        self.faults: list[Fault] = []

    def value(self, node: yaml.Node, path: Path) -> Plain:
        """Turn any node into plain values."""
        if isinstance(node, yaml.MappingNode):
            return self.mapping(node, path)
        if isinstance(node, yaml.SequenceNode):
            found: list[Plain] = []
            for index, below in enumerate(node.value):
                self.lines[(*path, index)] = below.start_mark.line + 1
                found.append(self.value(below, (*path, index)))
            return found
        text = str(node.value)
        slip = slip_in(node, self.rows) if isinstance(node, yaml.ScalarNode) else None
        if slip is not None:
            line = node.start_mark.line + 1
            key, (wrong, right) = say_path(path), slip
            fault = Fault(key=key, line=line, wrong=wrong, right=right, may_be_meant=True)
            self.faults.append(fault)
        quoted = isinstance(node, yaml.ScalarNode) and node.style is not None
        if not quoted and text in {"", "~", "null"}:
            return None
        return text

    def mapping(self, node: yaml.MappingNode, path: Path) -> dict[str, Plain]:
        """Turn a mapping into a dictionary, and note keys that come twice."""
        found: dict[str, Plain] = {}
        for key_node, value_node in node.value:
            line = key_node.start_mark.line + 1
            if not isinstance(key_node, yaml.ScalarNode):
                self.faults.append(
                    Fault(
                        key=say_path(path),
                        line=line,
                        wrong="a key is a list or a group",
                        right="a key is one word",
                    )
                )
                continue
            key = str(key_node.value)
            here = (*path, key)
            if key in found:
                self.faults.append(
                    Fault(
                        key=say_path(here),
                        line=line,
                        wrong=f"written twice, first on line {self.lines[here]}",
                        right="keep one of the two",
                    )
                )
                continue
            self.lines[here] = line
            found[key] = self.value(value_node, here)
        return found
