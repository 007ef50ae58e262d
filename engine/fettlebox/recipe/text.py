"""Text → nodes. All that is wrong with the YAML itself is found here.

The dialect is small on purpose: one document, no anchors, tags or merge keys, and scalars as YAML
1.2 reads them, so that `no`, `on` and `1:30` are the text that they look like.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

from .nodes import Node, Problems, Source, is_control, quoted, shorten

MOST_BYTES = 256_000  # a long recipe has 5 kB; beyond this, it is not one
MOST_LEVELS = 20  # a recipe needs 6
MOST_DIGITS = 18  # still exact in 64 bits; Python refuses to read thousands of digits


def read_file(path: Path, shown_as: str, what: str) -> str:
    """The text of a small UTF-8 file. Raises RecipeError."""
    nowhere = Node(None, source=Source(shown_as))
    problems = Problems()
    data = b""
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        problems.add(nowhere, (), f"this {what} cannot be read: {error.strerror or error}")
    if len(data) > MOST_BYTES:
        problems.add(nowhere, (), f"this {what} is too long", f"at most {MOST_BYTES // 1000} kB")
    problems.stop_if_any()
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8", "replace")
        line, column = before.count("\n") + 1, len(before) - before.rfind("\n")
        spot = Node(None, line, column, Source(shown_as))
        problems.add(spot, (), "a character that is not UTF-8", "a text file saved as UTF-8")
        problems.stop_if_any()
        raise


def read_nodes(text: str, shown_as: str, problems: Problems) -> Node | None:
    """The one document of a YAML text, or None where it cannot be read; problems are added, not raised."""
    source = Source(shown_as, tuple(re.split(r"\r\n|\r|\n", text)))
    if len(text.encode("utf-8", "replace")) > MOST_BYTES:
        problems.add(
            Node(None, source=source), (), "this text is too long", f"at most {MOST_BYTES // 1000} kB"
        )
        return None
    if _has_bad_characters(source, problems):
        return None
    builder = _Builder(source, problems)
    try:
        return builder.build(yaml.parse(text, Loader=yaml.SafeLoader))
    except yaml.MarkedYAMLError as error:
        _report_syntax(error, source, problems)
    except (yaml.YAMLError, ValueError, OverflowError) as error:
        # PyYAML lets an escape such as "\UFFFFFFFF" raise whatever chr() raises.
        problems.add(Node(None, source=source), (), "this is not YAML", hint=shorten(str(error), 80))
    return None


def _has_bad_characters(source: Source, problems: Problems) -> bool:
    bad = False
    for number, line in enumerate(source.lines, 1):
        if line.isprintable():
            continue
        for column, character in enumerate(line, 1):
            if character == "\t":
                problems.add(Node(None, number, column, source), (), "a tab", "spaces")
            elif is_control(character):
                name = f"an invisible character (U+{ord(character):04X})"
                problems.add(Node(None, number, column, source), (), name, "plain text", "delete it")
            else:
                continue
            bad = True
            break  # one a line is enough to find it
    return bad


class _Builder:
    """Builds nodes from parser events. Events, not PyYAML's own nodes: those are built by recursion,
    which a file of brackets would exhaust.
    """

    def __init__(self, source: Source, problems: Problems) -> None:
        self.source = source
        self.problems = problems

    def build(self, events: Iterator[yaml.Event]) -> Node | None:
        root: Node | None = None
        open_nodes: list[tuple[Node, list[Node]]] = []
        for event in events:
            match event:
                case yaml.DocumentStartEvent():
                    if root is not None:
                        self._add(event, "a second document", "one", "delete the line '---'")
                        return root
                    if event.version or event.tags:
                        self._add(event, "a line that begins with '%'", "", "delete it")
                    continue
                case yaml.AliasEvent():
                    self._add(event, f"an alias (*{shorten(str(event.anchor))})", "", "write the value out")
                    done = Node(None, *self._at(event), self.source)
                case yaml.ScalarEvent():
                    self._refuse_anchor(event)
                    done = self._scalar(event)
                case yaml.SequenceStartEvent() | yaml.MappingStartEvent():
                    self._refuse_anchor(event)
                    value: Any = [] if isinstance(event, yaml.SequenceStartEvent) else {}
                    open_nodes.append((Node(value, *self._at(event), self.source), []))
                    if len(open_nodes) > MOST_LEVELS:
                        self._add(event, f"more than {MOST_LEVELS} levels, one inside the other")
                        return None
                    continue
                case yaml.SequenceEndEvent() | yaml.MappingEndEvent():
                    done = self._closed(*open_nodes.pop())
                case _:
                    continue
            if open_nodes:
                open_nodes[-1][1].append(done)
            else:
                root = done
        return root

    def _closed(self, node: Node, inside: list[Node]) -> Node:
        if isinstance(node.value, list):
            return Node(inside, node.line, node.column, node.source)
        values: dict[str, Node] = {}
        keys: dict[str, Node] = {}
        for key, value in zip(inside[::2], inside[1::2], strict=True):
            if isinstance(key.value, (list, dict)):
                hint = 'if you mean a value that a ticket sets, put it in quotes: "${name}"'
                self.problems.add(key, (), "a key that is not a name", "a name and a colon", hint)
                continue
            name = key.written
            if name in keys:
                hint = f"it is already in line {keys[name].line}; keep one of the two"
                self.problems.add(key, (), f"the key {quoted(name)} a second time", hint=hint)
                continue
            keys[name], values[name] = key, value
        return Node(values, node.line, node.column, node.source, keys=keys)

    def _scalar(self, event: yaml.ScalarEvent) -> Node:
        text = event.value
        value: Any = text
        if event.style is None:
            value = self._read_plain(event)
        elif any(is_control(c) for c in text if c != "\n"):
            self._add(event, "an invisible character in this text", "", "delete the escape that makes it")
        return Node(value, *self._at(event), self.source, written=text)

    def _read_plain(self, event: yaml.ScalarEvent) -> Any:
        try:
            return read_plain(event.value)
        except ValueError as error:
            found, _, hint = str(error).partition("; ")
            self._add(event, found, "", hint)
            return 0

    def _refuse_anchor(self, event: yaml.NodeEvent) -> None:
        if event.anchor is not None:
            self._add(
                event, f"an anchor (&{shorten(event.anchor)})", "", "write the value out where it is needed"
            )
        tag = getattr(event, "tag", None)
        if tag is not None:
            shown = shorten(tag.replace("tag:yaml.org,2002:", "!!"))
            self._add(event, f"a tag ({shown})", "", "delete it")

    def _add(self, event: yaml.Event, found: str, expected: str = "", hint: str = "") -> None:
        self.problems.add(Node(None, *self._at(event), self.source), (), found, expected, hint)

    @staticmethod
    def _at(event: yaml.Event) -> tuple[int, int]:
        mark = event.start_mark
        return (mark.line + 1, mark.column + 1) if mark else (0, 0)


# Scalars of the core schema of YAML 1.2 (YAML Ain't Markup Language, version 1.2.2, 10.3.2).
_WHOLE = re.compile(r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+")
_DECIMAL = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")


def read_plain(text: str) -> bool | int | float | str | None:
    """What a scalar without quotes means. Raises ValueError for a number that is none to work with."""
    if text in ("", "~", "null", "Null", "NULL"):
        return None
    if text in ("true", "True", "TRUE", "false", "False", "FALSE"):
        return text.lower() == "true"
    if _WHOLE.fullmatch(text):
        if len(text) > MOST_DIGITS:
            raise ValueError(
                f"the number {shorten(text)} has too many digits; put it in quotes if it is a name"
            )
        return int(text, {"0x": 16, "0o": 8}.get(text[:2], 10))
    if _DECIMAL.fullmatch(text) and math.isfinite(float(text)):
        return float(text)
    if _DECIMAL.fullmatch(text) or _NOT_FINITE.fullmatch(text):
        raise ValueError(f"{shorten(text)} is not a number to work with; write a finite one")
    return text


_SYNTAX = (
    ("mapping values are not allowed", "a colon where none can stand",
     "put a text that has a colon in quotes, or check how far the line is indented"),
    ("could not find expected ':'", "a key without its colon", "write 'key: value', with a space"),
    ("found unexpected end of stream", "a quotation mark that is never closed", "close it"),
    ("found unknown escape", "a backslash in double quotes", "use single quotes"),
    ("expected escape sequence", "a backslash in double quotes", "use single quotes"),
    ("expected <block end>", "a line that does not fit those above it", "line it up with its neighbours"),
    ("expected ',' or ']'", "a list in brackets that is never closed", "close it with ']'; commas between"),
    ("expected ',' or '}'", "braces that are never closed", "close them with '}'; commas between"),
    ("cannot start any token", "a character that cannot begin a value", "put the value in quotes"),
    ("sequence entries are not allowed", "a dash where none can stand", "start a new line for every step"),
    ("block sequence entries", "a dash where none can stand", "start a new line for every step"),
)  # fmt: skip


def _report_syntax(error: yaml.MarkedYAMLError, source: Source, problems: Problems) -> None:
    said = error.problem or "this is not YAML"
    found, hint = next(
        ((f, h) for key, f, h in _SYNTAX if key in said), (f"not YAML: {shorten(said, 80)}", "")
    )
    mark = error.problem_mark or error.context_mark
    line = mark.line + 1 if mark else 0
    above = source.line(line - 1)
    if "mapping values" in said and above.strip() and ":" not in above:
        hint = f"is there a colon missing in line {line - 1}?"
    if re.search(r"""(?<!["'\w])\$\{""", source.line(line)):
        hint = 'put what a ticket sets in quotes: "${name}"'
    if ("end of stream" in said or "expected ',' or" in said) and error.context_mark is not None:
        mark = error.context_mark  # where it was opened
    spot = Node(None, mark.line + 1, mark.column + 1, source) if mark else Node(None, source=source)
    problems.add(spot, (), found, hint=hint)
