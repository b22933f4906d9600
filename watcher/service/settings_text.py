"""From the text of a settings file to plain values that remember their lines.

YAML 1.1 guesses types: the serial number ``012`` would become 10, ``22:30`` would become 1350 and
``no`` would become False. So nothing is guessed here: every scalar stays the text that was
written, and the shape of the settings (``settings_shape.py``) says what it is. Only a plain empty
value, ``~`` and ``null`` mean "not given".

Refused, with the line: a key that is written twice (YAML lets the last one win silently), anchors
and aliases (a few lines can stand for gigabytes), more than one document, a file above 256 KiB,
more than 12 levels.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import yaml

from watcher.service.errors import Fault

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
        return _nothing(
            Fault(
                key="",
                line=None,
                wrong=f"the file is {size // 1024} KiB long",
                right=f"a settings file has at most {LONGEST_FILE_BYTES // 1024} KiB",
            )
        )
    try:
        too_much = _too_much(text)
        if too_much is not None:
            return _nothing(too_much)
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.YAMLError as error:
        return _nothing(_unreadable(error))
    if node is None or (isinstance(node, yaml.ScalarNode) and not node.value):
        return Parsed(values={}, lines={(): 1})
    if not isinstance(node, yaml.MappingNode):
        return _nothing(
            Fault(key="", line=1, wrong="the file holds no keys", right="write key: value lines")
        )
    walk = _Walk()
    values = walk.mapping(node, ())
    return Parsed(values=values, lines=walk.lines, faults=tuple(walk.faults))


def _unreadable(error: yaml.YAMLError) -> Fault:
    """Say where the text stops being YAML."""
    mark = getattr(error, "problem_mark", None)
    problem = getattr(error, "problem", None) or getattr(error, "reason", None) or "odd text"
    return Fault(
        key="",
        line=mark.line + 1 if mark is not None else None,
        wrong=f"the text cannot be read as YAML ({problem})",
        right="look for a missing colon, quote or blank, or a tab, on this line or the one above",
    )


def _too_much(text: str) -> Fault | None:
    """Refuse what would cost much to build, before building it."""
    level = 0
    documents = 0
    for event in yaml.parse(text, Loader=yaml.SafeLoader):
        line = event.start_mark.line + 1 if event.start_mark is not None else None
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            return Fault(
                key="",
                line=line,
                wrong="anchors (&) and aliases (*) are not used here",
                right="write the value out, or put it in quotes if it begins with & or *",
            )
        if isinstance(event, yaml.DocumentStartEvent):
            documents += 1
            if documents > 1:
                return Fault(
                    key="",
                    line=line,
                    wrong="a second document begins here",
                    right="a settings file is one document: remove the line ---",
                )
        if isinstance(event, yaml.CollectionStartEvent):
            level += 1
            if level > DEEPEST_LEVEL:
                return Fault(
                    key="",
                    line=line,
                    wrong="more levels than any setting has",
                    right="check the indentation and the brackets",
                )
        if isinstance(event, yaml.CollectionEndEvent):
            level -= 1
    return None


class _Walk:
    """Goes through the nodes once and remembers lines and faults."""

    def __init__(self) -> None:
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
