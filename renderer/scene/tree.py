"""YAML text, or a mapping, to a plain tree with line numbers.

The text is read by events, before anything is built from it, so that a small file cannot grow:
aliases, anchors, tags and merge keys are refused, and size, depth and the number of events are
limited. Repeated keys and ambiguous scalars are reported, and reading goes on behind them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from numbers import Integral, Real
from typing import Any

import yaml

from renderer.scene.names import show
from renderer.scene.scalars import UNPRINTABLE, number_fault, read_scalar, text_fault

Path = tuple[str | int, ...]

MAX_BYTES = 1_000_000
MAX_DEPTH = 40
MAX_EVENTS = 100_000
MAX_FAULTS = 100
MAX_KEY = 80

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@dataclass(frozen=True)
class Found:
    """A fault before it has a file: the path to it, the message, and its line where that is known."""

    path: Path
    message: str
    line: int | None = None


@dataclass
class Tree:
    """What a scene says, plainly: dicts, lists, texts, numbers and truth values.

    ``lines`` gives the line of each path. ``spoiled`` are paths whose value could not be read;
    a None stands there, and what follows from it is not reported again. ``complete`` is false
    where reading had to stop.
    """

    value: Any = None
    lines: dict[Path, int] = field(default_factory=dict)
    found: list[Found] = field(default_factory=list)
    spoiled: set[Path] = field(default_factory=set)
    complete: bool = True

    def line_of(self, path: Path) -> int | None:
        """The line of a path, or of the nearest mapping or list around it."""
        for length in range(len(path), -1, -1):
            line = self.lines.get(path[:length])
            if line is not None:
                return line
        return None

    def spoil(self, path: Path, message: str, line: int | None = None) -> None:
        """Report a value that cannot be read, and keep later checks away from it."""
        self.found.append(Found(path, message, line))
        self.spoiled.add(path)


class _Stop(Exception):
    """Reading cannot go on; the fault has been reported."""


def path_text(path: Path) -> str:
    """A path as people write it: ``phantom.solids[2].tissue``."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def read_text(text: str) -> Tree:
    """The tree of a YAML text; everything that is wrong with it is in ``found``."""
    tree = Tree()
    problem = _unreadable(text)
    if problem is not None:
        tree.found.append(problem)
        tree.complete = False
        return tree
    try:
        _Builder(tree, text).document()
    except _Stop:
        tree.complete = False
    except yaml.YAMLError as error:
        tree.complete = False
        tree.found.append(_syntax_fault(error, text))
    return tree


def read_value(text: str) -> Any:
    """A single value written as in a scene file, such as ``40`` or ``[10, 20]``.

    Raises
    ------
    ValueError
        With what is wrong, if it cannot be read without a guess.
    """
    if not text.strip():
        raise ValueError(read_scalar("")[1])
    tree = read_text(text)
    if tree.found:
        fault = tree.found[0]
        raise ValueError(f"{path_text(fault.path)} {fault.message}".strip())
    return tree.value


def read_mapping(value: Mapping[Any, Any]) -> Tree:
    """The tree of a mapping that was made in Python, by the same rules and without lines."""
    tree = Tree()
    try:
        tree.value = _Plain(tree).value(value, ())
    except _Stop:
        tree.complete = False
    return tree


def _unreadable(text: str) -> Found | None:
    """What makes a text no YAML at all: its size, or characters that no editor shows."""
    size = len(text.encode("utf-8", "surrogatepass"))
    if size > MAX_BYTES:
        return Found((), f"the text has {size} bytes; at most {MAX_BYTES} are allowed")
    bad = UNPRINTABLE.search(text)
    if bad is None:
        return None
    line = text.count("\n", 0, bad.start()) + 1
    return Found((), f"holds the character U+{ord(bad.group()):04X}, which is not allowed in a scene", line)


def _syntax_fault(error: yaml.YAMLError, text: str) -> Found:
    """A fault for what the YAML parser could not read, with a word on tabs where one is in the way."""
    mark = getattr(error, "problem_mark", None)
    problem = getattr(error, "problem", None) or "the text breaks off"
    line = None if mark is None else min(mark.line + 1, text.count("\n") + 1)
    rows = text.split("\n")
    tab = line is not None and "\t" in rows[line - 1][: len(rows[line - 1]) - len(rows[line - 1].lstrip())]
    advice = ". Indent with spaces, not with tabs" if tab else ""
    return Found((), f"cannot be read as YAML: {problem}{advice}", line)


class _Builder:
    """One pass over the events of a text."""

    def __init__(self, tree: Tree, text: str) -> None:
        self.tree = tree
        self.events: Iterator[Any] = iter(yaml.parse(text, Loader=_LOADER))
        self.last_line = text.count("\n") + 1 - text.endswith("\n")
        self.count = 0

    def line(self, event: Any) -> int:
        """The line of an event, from 1. What is missing at the end of a text is said of its last line."""
        return min(int(event.start_mark.line) + 1, self.last_line)

    def next(self) -> Any:
        self.count += 1
        if self.count > MAX_EVENTS:
            self.tree.found.append(Found((), f"has more than {MAX_EVENTS} elements"))
            raise _Stop
        if len(self.tree.found) >= MAX_FAULTS:
            self.tree.found.append(Found((), f"more than {MAX_FAULTS} faults; reading stopped here"))
            raise _Stop
        return next(self.events)

    def document(self) -> None:
        """Read the one document of the text into the tree."""
        self.next()  # the stream begins
        if isinstance(self.next(), yaml.StreamEndEvent):
            self.tree.spoil((), "the scene is empty")
            raise _Stop
        self.tree.value = self.node(self.next(), (), 0)
        self.next()  # the document ends
        event = self.next()
        if not isinstance(event, yaml.StreamEndEvent):
            line = self.line(event)
            self.tree.found.append(Found((), "a second document begins here; one file holds one scene", line))
            raise _Stop

    def node(self, event: Any, path: Path, depth: int) -> Any:
        """The value that begins with an event."""
        line = self.line(event)
        self.tree.lines.setdefault(path, line)
        if depth > MAX_DEPTH:
            self.tree.spoil(path[:3], f"is nested more than {MAX_DEPTH} levels deep", line)
            raise _Stop
        self.refuse_sharing(event, path, line)
        if isinstance(event, yaml.MappingStartEvent):
            return self.mapping(path, depth)
        if isinstance(event, yaml.SequenceStartEvent):
            return self.sequence(path, depth)
        return None if isinstance(event, yaml.AliasEvent) else self.scalar(event, path, line)

    def refuse_sharing(self, event: Any, path: Path, line: int) -> None:
        """Report aliases, anchors and tags: a scene says everything once, and plainly."""
        if isinstance(event, yaml.AliasEvent):
            self.tree.spoil(path, f"aliases are not allowed ('*{event.anchor}'). Write the value out", line)
            return
        if event.anchor is not None:
            self.tree.found.append(Found(path, f"anchors are not allowed ('&{event.anchor}')", line))
        if event.tag is not None:
            self.tree.spoil(path, f"tags are not allowed ('{_short_tag(event.tag)}')", line)

    def scalar(self, event: Any, path: Path, line: int) -> Any:
        """The value of a scalar; what stands in quotes is a text."""
        if not event.implicit[0]:
            text = event.value.rstrip("\n") if event.style in ("|", ">") else event.value
            fault = text_fault(text)
            if fault:
                self.tree.spoil(path, fault, line)
            return None if fault else text
        value, fault = read_scalar(event.value)
        if fault:
            self.tree.spoil(path, fault, line)
        return value

    def sequence(self, path: Path, depth: int) -> list[Any]:
        """The items of a list."""
        items: list[Any] = []
        while not isinstance(event := self.next(), yaml.SequenceEndEvent):
            items.append(self.node(event, (*path, len(items)), depth + 1))
        return items

    def mapping(self, path: Path, depth: int) -> dict[str, Any]:
        """The pairs of a mapping; of a repeated key the first stays."""
        pairs: dict[str, Any] = {}
        while not isinstance(event := self.next(), yaml.MappingEndEvent):
            key = self.key(event, path)
            place = (*path, key)
            first = self.tree.lines.get(place)
            if key in pairs and first is not None:
                line = self.line(event)
                self.tree.found.append(Found(place, f"given twice (first on line {first})", line))
                self.skip(self.next())
                continue
            self.tree.lines[place] = self.line(event)
            pairs[key] = self.node(self.next(), place, depth + 1)
        return pairs

    def key(self, event: Any, path: Path) -> str:
        """The text of a key; whatever is not a plain, short text is reported, and its value with it."""
        line = self.line(event)
        if isinstance(event, yaml.ScalarEvent):
            name = short_key(event.value)
            faults = _key_faults(event, (*path, name), line)
        else:
            name, faults = f"(key on line {line})", [Found(path, "a key must be a plain text", line)]
            self.skip(event)
        if faults:
            self.tree.found.extend(faults)
            self.tree.spoiled.add((*path, name))
        return name

    def skip(self, event: Any) -> None:
        """Pass over the value that begins with an event."""
        depth = 0
        while True:
            if isinstance(event, yaml.MappingStartEvent | yaml.SequenceStartEvent):
                depth += 1
            elif isinstance(event, yaml.MappingEndEvent | yaml.SequenceEndEvent):
                depth -= 1
            if depth == 0:
                return
            event = self.next()


def _short_tag(tag: str) -> str:
    """A tag as it is written in a text."""
    return tag.replace("tag:yaml.org,2002:", "!!")[:MAX_KEY]


def short_key(key: str) -> str:
    """A key, cut off where it is too long to be one."""
    return key if len(key) <= MAX_KEY else f"{key[:MAX_KEY]}…"


def _key_faults(event: Any, place: Path, line: int) -> list[Found]:
    """What is wrong with a scalar that serves as a key."""
    plain = event.implicit[0]
    if event.value == "<<" and plain:
        return [Found(place[:-1], "merge keys ('<<') are not allowed. Write the keys out", line)]
    if event.value == "" or (plain and event.value in ("~", "null", "Null", "NULL")):
        return [Found(place[:-1], "a key is missing before the colon", line)]
    if len(event.value) > MAX_KEY:
        return [
            Found(place[:-1], f"a key of {len(event.value)} characters; at most {MAX_KEY} are allowed", line)
        ]
    if text_fault(event.value):
        return [Found(place[:-1], f"a key {text_fault(event.value)}", line)]
    if event.anchor is not None:
        return [Found(place, f"anchors are not allowed ('&{event.anchor}')", line)]
    if event.tag is not None:
        return [Found(place, f"tags are not allowed ('{_short_tag(event.tag)}')", line)]
    fault = read_scalar(event.value)[1] if plain else ""
    return [Found(place, f"the key {fault}", line)] if fault else []


class _Plain:
    """One pass over Python values."""

    def __init__(self, tree: Tree) -> None:
        self.tree = tree
        self.count = 0

    def value(self, value: Any, path: Path) -> Any:
        """The plain form of a value."""
        self.count += 1
        if self.count > MAX_EVENTS:
            self.tree.found.append(Found((), f"has more than {MAX_EVENTS} elements"))
            raise _Stop
        if len(path) > MAX_DEPTH:
            self.tree.spoil(path[:3], f"is nested more than {MAX_DEPTH} levels deep")
            raise _Stop
        if isinstance(value, Mapping):
            return self.mapping(value, path)
        if isinstance(value, bool | str) or type(value).__name__ == "bool":
            return self.text(value, path) if isinstance(value, str) else bool(value)
        if hasattr(value, "tolist") and not isinstance(value, Real):  # an array
            value = value.tolist()
        if isinstance(value, Sequence) and not isinstance(value, bytes | bytearray | memoryview):
            return [self.value(item, (*path, i)) for i, item in enumerate(value)]
        return self.number(value, path)

    def mapping(self, value: Mapping[Any, Any], path: Path) -> dict[str, Any]:
        """A mapping with texts for keys; 5 and 5.0 become '5' and '5.0'."""
        pairs: dict[str, Any] = {}
        for key, item in value.items():
            if not isinstance(key, str | int | float) or isinstance(key, bool):
                self.tree.found.append(Found(path, "a key must be a plain text"))
                continue
            name = str(key)
            if len(name) > MAX_KEY or text_fault(name):
                self.tree.found.append(
                    Found(path, f"a key must be a plain text of at most {MAX_KEY} characters")
                )
                continue
            if name in pairs:
                self.tree.found.append(Found((*path, name), "given twice"))
                continue
            pairs[name] = self.value(item, (*path, name))
        return pairs

    def text(self, value: str, path: Path) -> str | None:
        """A text that could stand in a file."""
        fault = text_fault(value)
        if fault:
            self.tree.spoil(path, fault)
            return None
        return str(value)

    def number(self, value: Any, path: Path) -> int | float | None:
        """A finite number, or nothing, with a fault."""
        if value is None:
            self.tree.spoil(path, "has no value. Write one, or leave the key out")
            return None
        if not isinstance(value, Real):
            self.tree.spoil(path, "a text, a number, true or false, a list or a mapping is wanted here")
            return None
        plain = int(value) if isinstance(value, Integral) else float(value)
        fault = number_fault(plain)
        if fault:
            self.tree.spoil(path, f"{show(plain)} {fault}")
            return None
        return plain
