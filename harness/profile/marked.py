"""YAML and CSV read into plain data that remembers where each key stood. Layer: profile, files' bytes in, pure.

Laws: any bytes give a `Marked` or problems, nothing else. A key written twice is an error, never the last one wins.
What YAML allows and a profile has no use for (tags, merge keys, keys that are not text, several documents) is an
error. Size, depth and the number of values after aliases are expanded are bounded, so a small file stays small.

Not here: opening files, and what the data means.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import yaml

from harness.errors import Problem

MAX_BYTES = 1024 * 1024  # common practice, no source: a profile has some 10 kB, a thousand sites some 500 kB
MAX_DEPTH = 32  # a profile needs 6
MAX_VALUES = 100_000  # a thousand sites have some 20,000
_MAX_INT = 2**63

Path = tuple[str | int, ...]

_Loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_STR, _MAP, _SEQ, _TIME = (f"tag:yaml.org,2002:{kind}" for kind in ("str", "map", "seq", "timestamp"))
_PLAIN_TAGS = {f"tag:yaml.org,2002:{kind}" for kind in ("null", "bool", "int", "float")} | {_STR, _TIME}
_MERGE = "tag:yaml.org,2002:merge"


@dataclass(frozen=True, slots=True)
class Mark:
    """Line and column, counted from 1."""

    line: int
    column: int


@dataclass(slots=True)
class Marked:
    """Plain data of one file. `marks`: key path to where its key (or list item) stands; `plain` is the text of what was
    written without quotes and is a number, true, false or nothing."""

    file: str
    data: Any
    marks: dict[Path, Mark] = field(default_factory=dict)
    plain: dict[Path, str] = field(default_factory=dict)

    def find_mark(self, path: Path) -> Mark:
        """Return the mark of a path, or of its nearest ancestor that has one."""
        for length in range(len(path), -1, -1):
            if path[:length] in self.marks:
                return self.marks[path[:length]]
        return Mark(1, 1)

    def problem(self, path: Path, message: str) -> Problem:
        """Return a problem at a path."""
        mark = self.find_mark(path)
        return Problem(self.file, mark.line, mark.column, render_path(path), message)


def render_path(path: Path) -> str:
    """Return a key path as people write it: ``segments[0].dhcp.lease_s``; list items count from 0."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def decode(file: str, content: bytes) -> tuple[str, tuple[Problem, ...]]:
    """Return the text of a file's bytes (UTF-8, with or without byte order mark), or why it has none."""
    if len(content) > MAX_BYTES:
        return "", (Problem(file, 0, 0, "", f"expected at most {MAX_BYTES} bytes, saw more"),)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        column = error.start - (content.rfind(b"\n", 0, error.start) + 1) + 1
        return "", (Problem(file, line, column, "", f"expected UTF-8 text, saw the byte 0x{content[error.start]:02x}"),)
    if not text.strip():
        return "", (Problem(file, 0, 0, "", "the file is empty"),)
    return text, ()


def read_yaml(file: str, content: bytes) -> tuple[Marked, tuple[Problem, ...]]:
    """Read one YAML document. Where there are problems, the data holds what could be read around them."""
    marked = Marked(file, None)
    text, problems = decode(file, content)
    if problems:
        return marked, problems
    try:
        problems = _find_excess(file, text)
        if problems:
            return marked, problems
        node = yaml.compose(text, Loader=_Loader)
    except yaml.YAMLError as error:
        return marked, (_explain(file, error),)
    except (ValueError, RecursionError) as error:  # PyYAML lets some through, such as an escape beyond Unicode
        return marked, (Problem(file, 0, 0, "", f"expected YAML, saw what cannot be read ({type(error).__name__})"),)
    if node is None:
        return marked, (Problem(file, 0, 0, "", "the file holds no YAML value, only comments"),)
    builder = _Builder(marked)
    marked.data = builder.build(node, ())
    return marked, tuple(builder.problems)


def _find_excess(file: str, text: str) -> tuple[Problem, ...]:
    """Look for nesting too deep and values too many, without recursion, before anything is built."""
    depth = 0
    for count, event in enumerate(yaml.parse(text, Loader=_Loader)):
        if isinstance(event, yaml.CollectionStartEvent):
            depth += 1
        elif isinstance(event, yaml.CollectionEndEvent):
            depth -= 1
        if depth > MAX_DEPTH or count > MAX_VALUES:
            limit = f"{MAX_DEPTH} levels" if depth > MAX_DEPTH else f"{MAX_VALUES} values"
            mark = event.start_mark
            line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
            return (Problem(file, line, column, "", f"expected at most {limit}, saw more"),)
    return ()


def _explain(file: str, error: yaml.YAMLError) -> Problem:
    mark = getattr(error, "problem_mark", None)
    text = getattr(error, "problem", None) or getattr(error, "reason", None) or "cannot be read"
    if "undefined alias" in text:  # PyYAML would show the word, which may be a secret that began with *
        text = "a text that begins with * must be in quotes"
    elif "tag" in text or "anchor" in text or "directive" in text:
        text = "tags, anchors and directives are not used here; a text that begins with ! & or % must be in quotes"
    line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
    return Problem(file, line, column, "", f"not YAML: {text}")


class _Builder:
    """Turns nodes into plain data, marks and problems."""

    def __init__(self, marked: Marked) -> None:
        self.problems: list[Problem] = []
        self._marked = marked
        self._constructor = yaml.constructor.SafeConstructor()
        self._values = 0
        self._open: set[int] = set()

    def build(self, node: yaml.Node, path: Path) -> Any:
        if not path:
            self._mark(path, node)
        self._values += 1
        if self._values > MAX_VALUES:
            if self._values == MAX_VALUES + 1:
                self._complain(node, (), f"aliases expand to more than {MAX_VALUES} values")
            return None
        if isinstance(node, yaml.ScalarNode):
            return self._scalar(node, path)
        if id(node) in self._open:
            self._complain(node, path, "an alias stands for something that holds it")
            return None
        if len(self._open) >= MAX_DEPTH:  # only aliases can lead here: what is written out was counted before
            self._complain(node, path, f"aliases nest more than {MAX_DEPTH} levels")
            return None
        if node.tag not in (_MAP, _SEQ):
            self._complain(node, path, "YAML tags are not used here")
            return None
        self._open.add(id(node))
        built = self._mapping(node, path) if isinstance(node, yaml.MappingNode) else self._list(node, path)
        self._open.discard(id(node))
        return built

    def _mapping(self, node: yaml.MappingNode, path: Path) -> dict[str, Any]:
        built: dict[str, Any] = {}
        first: dict[str, int] = {}
        for key_node, value_node in node.value:
            key = self._key(key_node, path)
            if key is None:
                continue
            if key in built:
                line = first[key]
                self._complain(key_node, (*path, key), f"the key stands twice, first in line {line}")
                continue
            first[key] = key_node.start_mark.line + 1
            self._mark((*path, key), key_node)
            built[key] = self.build(value_node, (*path, key))
        return built

    def _key(self, node: yaml.Node, path: Path) -> str | None:
        if node.tag == _MERGE:
            self._complain(node, path, "merge keys (<<) are not used here; write the keys out")
            return None
        if not isinstance(node, yaml.ScalarNode) or node.tag not in (_STR, _TIME):
            self._complain(node, path, "expected a text as key; put it in quotes")
            return None
        if not _is_unicode(node.value):
            self._complain(node, path, "expected a text of Unicode characters")
            return None
        return str(node.value)

    def _list(self, node: yaml.Node, path: Path) -> list[Any]:
        built = []
        for index, item in enumerate(node.value):
            self._mark((*path, index), item)
            built.append(self.build(item, (*path, index)))
        return built

    def _scalar(self, node: yaml.ScalarNode, path: Path) -> Any:
        if node.tag not in _PLAIN_TAGS:
            self._complain(node, path, "YAML tags are not used here")
            return None
        if node.tag in (_STR, _TIME):  # a date is text here, as in YAML 1.2
            if not _is_unicode(node.value):
                self._complain(node, path, "expected a text of Unicode characters")
                return None
            return node.value
        self._marked.plain[path] = node.value
        try:
            value = self._constructor.construct_object(node)
        except (ValueError, yaml.YAMLError, KeyError, IndexError, OverflowError):
            value = math.nan
        if isinstance(value, float) and not math.isfinite(value):
            self._complain(node, path, "expected a finite number; a text needs quotes")
            return None
        if isinstance(value, int) and abs(value) >= _MAX_INT:
            self._complain(node, path, "too large for a number; a text of digits needs quotes")
            return None
        return value

    def _mark(self, path: Path, node: yaml.Node) -> None:
        self._marked.marks[path] = Mark(node.start_mark.line + 1, node.start_mark.column + 1)

    def _complain(self, node: yaml.Node, path: Path, message: str) -> None:
        line, column = node.start_mark.line + 1, node.start_mark.column + 1
        self.problems.append(Problem(self._marked.file, line, column, render_path(path), message))


def _is_unicode(text: str) -> bool:
    """Return whether a text can be written at all: YAML's escapes can name half a surrogate pair."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
