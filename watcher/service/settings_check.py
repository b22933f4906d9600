"""From what pydantic and the cross-checks object to, to faults in the owner's words.

A fault names the key, the line, what is wrong and what would be right. The value of a key that may
hold a secret is never repeated.
"""

from __future__ import annotations

import re
import types
from collections.abc import Collection, Iterator, Mapping, Sequence
from copy import deepcopy
from difflib import get_close_matches
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from watcher.facts.finding import Urgency
from watcher.service.errors import Fault
from watcher.service.settings_clients import check_clients, check_hours
from watcher.service.settings_shape import Config, ScopedSettings
from watcher.service.settings_text import Parsed, Path, Plain, say_path
from watcher.service.settings_types import SecretPlace

_SECRET_KEYS = frozenset(SecretPlace.model_fields)
OWNER = "owner"


def shape_faults(error: ValidationError, parsed: Parsed) -> Iterator[Fault]:
    """Turn everything that pydantic found into faults."""
    objections = error.errors(include_url=False, include_input=False)
    for found in objections:
        path: Path = tuple(found["loc"])
        if found["type"] == "too_short" and any(
            len(other["loc"]) > len(path) and tuple(other["loc"])[: len(path)] == path
            for other in objections
        ):
            continue  # it only lacks the entries that were objected to
        wrong, right = _words(
            found["type"], found["msg"], found.get("ctx") or {}, path, _value_at(parsed, path)
        )
        yield Fault(key=say_path(path), line=parsed.line_of(path), wrong=wrong, right=right)


def without_faulty(error: ValidationError, values: dict[str, Plain]) -> dict[str, Plain]:
    """Give the values less the keys that were objected to, so that the rest can be checked."""
    rest = deepcopy(values)
    for found in error.errors(include_url=False, include_input=False, include_context=False):
        here: Plain = rest
        for step in found["loc"][:-1]:
            if isinstance(here, dict) and isinstance(step, str):
                here = here.get(step)
            elif isinstance(here, list) and isinstance(step, int) and step < len(here):
                here = here[step]
        if isinstance(here, dict):
            here.pop(str(found["loc"][-1]), None)
    return rest


def _value_at(parsed: Parsed, path: Path) -> Plain:
    """Give what was written at a path, None when there is nothing."""
    here: Plain = parsed.values
    for step in path:
        if isinstance(here, dict) and isinstance(step, str):
            here = here.get(step)
        elif isinstance(here, list) and isinstance(step, int) and step < len(here):
            here = here[step]
        else:
            return None
    return here


def _shown(value: Plain, path: Path) -> str:
    """Say what was written, shortly, and nothing of a secret."""
    if path and path[-1] in _SECRET_KEYS:
        return "what is written there"
    if isinstance(value, list):
        return "a list" if value else "an empty list"
    if isinstance(value, dict):
        return "a group of keys"
    if value is None:
        return "nothing"
    plain = "".join(c if c.isprintable() else "?" for c in value)  # it goes to a terminal
    return f'"{plain if len(plain) <= 40 else plain[:39] + "…"}"'


def _words(
    kind: str, message: str, context: Mapping[str, Any], path: Path, value: Plain
) -> tuple[str, str]:
    """Say one objection as what is wrong and what would be right."""
    shown = _shown(value, path)
    if kind == "extra_forbidden":
        return _unknown_key(path, value)
    if kind == "missing":
        return "this key is missing", "add it"
    if kind == "value_error":
        return f"{shown} is not usable here", f"it {message.removeprefix('Value error, ')}"
    if kind in {"literal_error", "enum"}:
        allowed = str(context.get("expected", "")).replace("'", "").replace(" or ", ", ")
        words = [word.strip() for word in allowed.split(",")]
        close = get_close_matches(str(value), words, n=1)
        listed = ", ".join(words) if len(words) <= 8 else f"{', '.join(words[:8])}, …"
        hint = f"did you mean {close[0]}? It" if close else "it"
        return f"{shown} is not usable here", f"{hint} must be one of {listed}"
    bound = {
        "greater_than_equal": ("ge", "at least"),
        "less_than_equal": ("le", "at most"),
        "greater_than": ("gt", "more than"),
        "less_than": ("lt", "less than"),
    }.get(kind)
    if bound is not None:
        return f"{shown} is out of range", f"it must be {bound[1]} {context.get(bound[0])}"
    if kind in _WANTS_GROUP and isinstance(value, str) and re.match(r"[a-z_]+:[^\s/]", value):
        return f"{shown} is not usable here", "a blank is missing behind its colon"
    return f"{shown} is not usable here", _RIGHT.get(kind, message[:1].lower() + message[1:])


_WANTS_GROUP = frozenset({"model_type", "model_attributes_type", "dict_type"})


_RIGHT = {
    "bool_parsing": "it must be yes or no",
    "bool_type": "it must be yes or no",
    "int_parsing": "it must be a whole number in digits",
    "int_type": "it must be a whole number in digits",
    "float_parsing": "it must be a number in digits",
    "float_type": "it must be a number in digits",
    "tuple_type": "it must be a list: [one, two], or one line with - for each",
    "model_type": "it must be a group of keys, indented below this one",
    "model_attributes_type": "it must be a group of keys, indented below this one",
    "dict_type": "it must be a group of keys, indented below this one",
    "string_type": "it must be one text, in quotes if need be",
    "string_unicode": "it must be plain text",
    "string_too_short": "it must not be empty",
    "string_too_long": "it must be at most 200 letters long",
    "too_short": "the list must have at least one entry",
}


def _unknown_key(path: Path, value: Plain) -> tuple[str, str]:
    """Say that there is no such key, and which one may be meant."""
    wrong, key = "there is no such key", str(path[-1])
    section = _section_at(path[:-1])
    known = sorted(section.model_fields) if section is not None else []
    above = [name for name in _groups() if key in _groups()[name]]
    if len(path) == 1 and above and not isinstance(value, dict):
        return f"{wrong} at this place", f"it belongs below {' or '.join(above)}, and indented"
    close = get_close_matches(key, known, n=1, cutoff=0.5)
    if close:
        return wrong, f"did you mean {close[0]}?"
    return wrong, f"known here: {', '.join(known)}" if known else ""


def _groups() -> Mapping[str, Collection[str]]:
    """Give the keys of each group that stands at the top."""
    sections = {name: _section_at((name,)) for name in Config.model_fields}
    return {name: group.model_fields for name, group in sections.items() if group is not None}


def _section_at(path: Path) -> type[BaseModel] | None:
    """Find the section of the shape that a path leads to."""
    here: type[BaseModel] | None = Config
    for step in path:
        if isinstance(step, int):
            continue
        field = here.model_fields.get(step) if here is not None else None
        here = _section_in(field.annotation) if field is not None else None
    return here


def _section_in(annotation: Any) -> type[BaseModel] | None:  # noqa: ANN401 - any type
    """Find the section inside ``tuple[X, ...]``, ``X | None`` and the like."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) in {tuple, Union, types.UnionType}:
        for part in get_args(annotation):
            found = _section_in(part)
            if found is not None:
                return found
    return None


class _Cross:
    """Collects faults that only show when parts are compared."""

    def __init__(self, parsed: Parsed) -> None:
        self.parsed = parsed
        self.faults: list[Fault] = []

    def add(self, path: Path, wrong: str, right: str = "", *, may_be_meant: bool = False) -> None:
        """Note a fault at a path."""
        key, line = say_path(path), self.parsed.line_of(path)
        self.faults.append(
            Fault(key=key, line=line, wrong=wrong, right=right, may_be_meant=may_be_meant)
        )

    def unique(
        self, base: Path, key: str, names: Sequence[str | None], *, may_be_meant: bool = False
    ) -> None:
        """Note every name that comes twice."""
        first: dict[str, int] = {}
        for index, name in enumerate(names):
            if name is None:
                continue
            if name in first:
                self.add(
                    (*base, index, key),
                    f'"{name}" is used twice, first by entry {first[name] + 1}',
                    "give each its own, or keep one of the two",
                    may_be_meant=may_be_meant,
                )
            else:
                first[name] = index


def cross_faults(
    config: Config, parsed: Parsed, rules: Mapping[str, Collection[str]] | None
) -> tuple[Fault, ...]:
    """Check what no single key shows: names that must exist, names that must differ.

    ``rules`` is the catalogue: each rule's thresholds. Without it rule names are not checked.
    """
    cross = _Cross(parsed)
    _check_people(config, cross)
    _check_ladders(config, cross)
    _check_drives(config, cross)
    for place, hours in enumerate(config.upkeep.busy):
        right = "busy hours need a length; to begin nothing at all leave upkeep off"
        check_hours(hours, ("upkeep", "busy", place), right, cross.add)
    cross.unique(("shop", "clients"), "name", [client.name for client in config.shop.clients])
    check_clients(config, cross.add)
    for secret, path in (
        (config.heartbeat, ("heartbeat",)),
        (config.shop.store, ("shop", "store")),
        *(
            (target, ("people", p, "targets", t))
            for p, person in enumerate(config.people)
            for t, target in enumerate(person.targets)
        ),
    ):
        _check_place(secret, path, cross)
    if rules is not None:
        _check_rules(config, rules, cross)
    return tuple(cross.faults)


def _check_people(config: Config, cross: _Cross) -> None:
    cross.unique(("people",), "name", [person.name for person in config.people])
    for index, person in enumerate(config.people):
        names = [target.name for target in person.targets]
        cross.unique(("people", index, "targets"), "name", names)
        for place, hours in enumerate(person.quiet):
            right = "quiet hours need a length; for the whole day use away_until"
            check_hours(hours, ("people", index, "quiet", place), right, cross.add)


def _check_ladders(config: Config, cross: _Cross) -> None:
    known = [person.name for person in config.people] or [OWNER]
    taken: set[Urgency] = set()
    for index, ladder in enumerate(config.ladders):
        for step, rung in enumerate(ladder.rungs):
            for who, name in enumerate(rung.people):
                if name not in known:
                    cross.add(
                        ("ladders", index, "rungs", step, "people", who),
                        f'nobody called "{name}" is listed under people',
                        f"known are: {', '.join(known)}",
                    )
        if set(ladder.urgencies) <= taken | {Urgency.NOTE}:
            cross.add(
                ("ladders", index),
                "is never used: "
                + ("ladders above it take all its cases" if taken else "notes climb no ladder"),
                "put it above them, or remove it" if taken else "remove it",
                may_be_meant=True,
            )
        if not (ladder.pools or ladder.boxes or ladder.clients):
            taken |= set(ladder.urgencies)
        if ladder.repeat_first_minutes > ladder.repeat_longest_minutes:
            cross.add(
                ("ladders", index, "repeat_first_minutes"),
                "is longer than repeat_longest_minutes",
                "the first gap is the shortest",
            )


def _check_drives(config: Config, cross: _Cross) -> None:
    cross.unique(("drives",), "serial", [drive.serial for drive in config.drives])
    cross.unique(("drives",), "bay", [drive.bay for drive in config.drives])
    at = [f"{drive.node} {drive.device_type or ''}".strip() for drive in config.drives]
    nodes = [None if drive.node is None else at[place] for place, drive in enumerate(config.drives)]
    cross.unique(("drives",), "node", nodes, may_be_meant=True)
    cross.unique(("pools",), "name", [pool.name for pool in config.pools])
    for index, drive in enumerate(config.drives):
        if drive.serial is None and drive.node is None:
            cross.add(
                ("drives", index),
                "does not say which drive it is about",
                "give its serial, or its node",
            )
        if drive.device_type is not None and drive.node is None:
            cross.add(
                ("drives", index, "device_type"),
                "a device type needs the node it is asked through",
                "add node, for instance /dev/sda",
            )
    for index, pool in enumerate(config.pools):
        members = (*pool.drives, *pool.parity_drives)
        most = len(pool.parity_drives) or len(members) - 1
        if pool.may_lose > most:
            cross.add(
                ("pools", index, "may_lose"),
                f"a pool of these drives cannot lose {pool.may_lose} of them",
                f"it is at most {most}: how many may fail with no data lost",
            )
        if len(members) != len(set(members)):
            cross.add(("pools", index, "drives"), "a drive is named twice", "name each once")


def _check_place(place: SecretPlace, path: Path, cross: _Cross) -> None:
    given = [word for word in ("url", "url_file", "url_env") if getattr(place, word)]
    if len(given) > 1:
        cross.add((*path, given[1]), f"{' and '.join(given)} are both given", "keep one")
    if not given and path[0] == "people":
        cross.add(path, "has no address", "give one of url, url_file or url_env")


def _where(scope: ScopedSettings) -> str:
    """Name what a change of a rule is limited to."""
    return " ".join(filter(None, (scope.box, scope.drive, scope.model, scope.pool)))


def _check_rules(config: Config, rules: Mapping[str, Collection[str]], cross: _Cross) -> None:
    def known(path: Path, name: str) -> bool:
        if name in rules:
            return True
        close = get_close_matches(name, list(rules), n=1)
        cross.add(
            path,
            f'there is no rule "{name}"',
            f"did you mean {close[0]}?" if close else "midwatch rules lists them",
        )
        return False

    for index, change in enumerate(config.rules.thresholds):
        base = ("rules", "thresholds", index)
        if known((*base, "rule"), change.rule) and change.threshold not in rules[change.rule]:
            names = ", ".join(sorted(rules[change.rule])) or "it has none"
            cross.add(
                (*base, "threshold"),
                f'{change.rule} has no threshold "{change.threshold}"',
                f"its thresholds: {names}",
            )
    changes = [(c.rule, c.threshold, _where(c)) for c in config.rules.thresholds]
    named = [" ".join(change).strip() for change in changes]
    cross.unique(("rules", "thresholds"), "rule", named, may_be_meant=True)
    own = [rule.name for rule in config.rules.own]
    named = [f"{o.rule} {_where(o)}".strip() for o in config.rules.off]
    cross.unique(("rules", "off"), "rule", named, may_be_meant=True)
    for index, off in enumerate(config.rules.off):
        if off.rule not in own:
            known(("rules", "off", index, "rule"), off.rule)
    cross.unique(("rules", "own"), "name", own)
    for index, name in enumerate(own):
        if name in rules:
            cross.add(
                ("rules", "own", index, "name"),
                f'"{name}" is the name of a built-in rule',
                "choose another",
            )
