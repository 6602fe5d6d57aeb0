"""YAML text as a tree of nodes that know their place, with the meaning of the YAML 1.2 core schema.

So `off`, `no` and `1:30` are words, `010` is ten and `1e3` a number. Only the events of the parser are used, nothing
is ever constructed from a tag. A station file needs no anchors, aliases, tags, merge keys or keys that are not plain
text; each is refused where it stands, which also leaves no room for a small file that grows.
Source: YAML 1.2.2, 10.3.2 (tag resolution of the core schema), 5.1 (characters), from memory.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass

import yaml

from qsyd_daemon.station_file.errors import Problem, short

DEPTH_MAX = 50
NODES_MAX = 400_000
"""Bounds time and memory: 4 MiB of ordinary text stay below it."""

Value = None | bool | int | float | str
Location = tuple[str | int, ...]
Data = Value | tuple["Data", ...] | dict[str, "Data"]

_NULL = re.compile(r"null|Null|NULL|~|")
_TRUE = ("true", "True", "TRUE")
_FALSE = ("false", "False", "FALSE")
_INT = re.compile(r"[-+]?[0-9]+")
_BASED = re.compile(r"0o[0-7]+|0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_NO_NUMBER = re.compile(r"([-+]?)\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")
_NUMBER_LENGTH_MAX = 40
_UNFIT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff]|(?<!^)\ufeff")
_KEY_LINE = re.compile(r"[ ]*(?:- )?[\w-]+:(?: |$)")
_BREAK = re.compile(r"\r\n|\r|\n")


@dataclass(frozen=True, slots=True)
class Scalar:
    """A single value; `plain` where it was not quoted, `text` as written."""

    value: Value
    text: str
    plain: bool
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Sequence:
    """A list."""

    items: list["Node"]
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Mapping:
    """A mapping; each key as text, with the node of the key and that of the value."""

    entries: dict[str, tuple[Scalar, "Node"]]
    line: int
    column: int


Node = Scalar | Sequence | Mapping


class _StopReadingError(Exception):
    """Nothing after this point can be trusted; `problem` says why."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem


def read_tree(text: str) -> tuple[Node | None, list[Problem]]:
    """The root of the only document in `text`, None where there is none, and everything that is wrong as YAML."""
    unfit = _UNFIT.search(text)
    if unfit is not None:
        line, column = _place_of(text, unfit.start())
        what = f"character U+{ord(unfit[0]):04X} is not allowed"
        return None, [Problem(line, column, what, 'write it as an escape in double quotes, such as "\\x07"')]
    reader = _Reader(text)
    try:
        return reader.read(), reader.problems
    except _StopReadingError as stop:
        return None, [*reader.problems, stop.problem]


def data_of(node: Node) -> Data:
    """The tree as dicts, tuples and scalars."""
    match node:
        case Scalar():
            return node.value
        case Sequence():
            return tuple(data_of(item) for item in node.items)
        case Mapping():
            return {key: data_of(value) for key, (_, value) in node.entries.items()}


def node_at(root: Node, location: Location) -> Node:
    """The node at a location, or the last one on the way where the location leads beyond the tree."""
    node = root
    for part in location:
        match node:
            case Mapping() if isinstance(part, str) and part in node.entries:
                node = node.entries[part][1]
            case Sequence() if isinstance(part, int) and part < len(node.items):
                node = node.items[part]
            case _:
                break
    return node


def place_at(root: Node, location: Location, *, key: bool = False) -> tuple[int, int]:
    """Line and column of a value, or of its key; what was left empty is placed at its key."""
    node = node_at(root, location)
    parent = node_at(root, location[:-1])
    if location and isinstance(parent, Mapping) and location[-1] in parent.entries:
        key_node, value = parent.entries[str(location[-1])]
        if key or (isinstance(value, Scalar) and value.plain and value.text == ""):
            return key_node.line, key_node.column
    return node.line, node.column


class _Reader:
    """Builds the tree from parser events, bounded in depth and in number of nodes."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._events = self._parse()
        self._nodes = 0
        self.problems: list[Problem] = []

    def _parse(self) -> Iterator[yaml.Event]:
        loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)(self._text)
        try:
            while loader.check_event():
                yield loader.get_event()
        except yaml.MarkedYAMLError as error:
            raise _StopReadingError(self._syntax_problem(error)) from error
        except yaml.YAMLError as error:
            raise _StopReadingError(Problem(1, 1, f"not YAML: {short(error)}", "save the file as UTF-8")) from error
        finally:
            loader.dispose()

    def read(self) -> Node | None:
        root: Node | None = None
        documents = 0
        for event in self._events:
            match event:
                case yaml.DocumentStartEvent():
                    documents += 1
                    if documents > 1:
                        self._refuse(event, "a second document", "keep one document, without a `---` in it")
                        return root
                case yaml.NodeEvent():
                    root = self._node(event, 1)
                case _:
                    pass
        return root

    def _node(self, event: yaml.Event, depth: int) -> Node:
        line, column = _place(event)
        self._nodes += 1
        if depth > DEPTH_MAX or self._nodes > NODES_MAX:
            what = f"more than {DEPTH_MAX} levels deep" if depth > DEPTH_MAX else f"more than {NODES_MAX} values"
            raise _StopReadingError(Problem(line, column, what, "a station file is a few levels and values"))
        if isinstance(event, yaml.AliasEvent):
            self._refuse(event, f"alias `*{short(event.anchor)}`", "write out what it stands for")
            return Scalar(None, "*", False, line, column)
        assert isinstance(event, yaml.NodeEvent)
        if event.anchor is not None:
            self._refuse(
                event, f"anchor `&{short(event.anchor)}`", "leave it out; each value is written where it is used"
            )
        tag = getattr(event, "tag", None)
        if tag is not None:
            self._refuse(event, f"tag `{short(tag)}`", "leave it out; put text in quotes where it must be text")
        match event:
            case yaml.ScalarEvent():
                plain = bool(event.implicit[0]) and event.style in (None, "")
                value = _resolved(event.value) if plain else event.value
                return Scalar(value, event.value, plain, line, column)
            case yaml.SequenceStartEvent():
                items: list[Node] = []
                for item in self._events:
                    if isinstance(item, yaml.SequenceEndEvent):
                        break
                    items.append(self._node(item, depth + 1))
                return Sequence(items, line, column)
            case _:
                return self._mapping(line, column, depth)

    def _mapping(self, line: int, column: int, depth: int) -> Mapping:
        entries: dict[str, tuple[Scalar, Node]] = {}
        for event in self._events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            key = self._node(event, depth + 1)
            value = self._node(next(self._events), depth + 1)
            if not isinstance(key, Scalar):
                self._refuse(event, "a key that is not a single word", "use plain words as keys")
            elif isinstance(event, yaml.AliasEvent):
                continue
            elif key.text == "<<" and key.plain:
                self._refuse(event, "merge key `<<`", "write out what it would bring in")
            elif key.text in entries:
                first = entries[key.text][0]
                hint = f"it is already there in line {first.line}; keep one of them"
                self._refuse(event, f"key `{short(key.text)}` a second time", hint)
            else:
                entries[key.text] = (key, value)
        return Mapping(entries, line, column)

    def _refuse(self, event: yaml.Event, text: str, hint: str) -> None:
        line, column = _place(event)
        self.problems.append(Problem(line, column, f"{text} is not allowed", hint))

    def _syntax_problem(self, error: yaml.MarkedYAMLError) -> Problem:
        """The parser's complaint in plain words, placed where the operator has to look."""
        mark = error.problem_mark or error.context_mark
        problem = str(error.problem or error.context or "cannot be read")
        if mark is None:
            return Problem(1, 1, f"not YAML: {problem}", "see the lines above it")
        text = f"not YAML: {problem}"
        hint = "look at this line and the one above: indentation, colons, quotes and brackets"
        lines = _BREAK.split(self._text)
        rest = lines[mark.line][mark.column :] if mark.line < len(lines) else ""
        if rest.startswith("\t") or "tab" in problem.split():
            text, hint = "a tab in the indentation", "indent with spaces"
        elif "mapping values are not allowed" in problem:
            text, hint = "a `:` that begins no key", "put text that holds `: ` in quotes, and indent keys alike"
        elif error.context and "quoted scalar" in error.context and error.context_mark:
            mark = error.context_mark
            text, hint = f"quoted text: {problem}", "close it with the same quote; a backslash counts in double quotes"
        elif quoted := _quoted_over_keys(self._text, lines):
            mark = quoted
            text, hint = "quoted text runs on over the end of the line", "close it with the same quote"
        elif error.context and "flow" in error.context and error.context_mark:
            opened = error.context_mark
            hint = "separate with commas and close with the same kind of bracket"
            text = f"the bracket opened at {opened.line + 1}:{opened.column + 1} is not closed where this begins"
            if mark.line > opened.line + 1:  # far from where the mistake can be seen
                text = f"the bracket is not closed; that was noticed at {mark.line + 1}:{mark.column + 1}"
                mark = opened
        elif "could not find expected ':'" in problem and error.context_mark:
            mark = error.context_mark
            text, hint = (
                "a word without a `:` behind it where a key belongs",
                "write `KEY: VALUE`, and indent keys alike",
            )
        elif rest[:1] in ("@", "`", "%"):
            text, hint = f"a plain word cannot begin with `{rest[0]}`", "put it in quotes"
        return Problem(mark.line + 1, mark.column + 1, text, hint)


def _quoted_over_keys(text: str, lines: list[str]) -> yaml.Mark | None:
    """Where the first quoted text begins that runs on over lines which look like keys, before the parser gives up.

    A quote too much or too few is noticed only where the next quote ends it, so this is where to look.
    """
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)(text)
    try:
        while loader.check_token():
            token = loader.get_token()
            if isinstance(token, yaml.ScalarToken) and not token.plain:
                start: yaml.Mark = token.start_mark
                end = token.end_mark
                if any(_KEY_LINE.match(line) for line in lines[start.line + 1 : end.line + 1]):
                    return start
    except yaml.YAMLError:
        pass  # the same mistake that is being explained
    finally:
        loader.dispose()
    return None


def _place(event: yaml.Event) -> tuple[int, int]:
    mark = event.start_mark
    assert mark is not None  # of what was parsed; only events made by hand have none
    return mark.line + 1, mark.column + 1


def _place_of(text: str, position: int) -> tuple[int, int]:
    before = text[:position].removeprefix("\ufeff")
    breaks = list(_BREAK.finditer(before))
    return len(breaks) + 1, len(before) - (breaks[-1].end() if breaks else 0) + 1


def _resolved(text: str) -> Value:
    if _NULL.fullmatch(text):
        return None
    if text in _TRUE or text in _FALSE:
        return text in _TRUE
    if len(text) > _NUMBER_LENGTH_MAX:  # no number that anybody means; and int() refuses very long ones
        return text
    if _INT.fullmatch(text):
        return int(text)
    if _BASED.fullmatch(text):
        return int(text, 0)
    if _FLOAT.fullmatch(text):
        return float(text)
    if _NO_NUMBER.fullmatch(text):
        return float(text.replace(".", "", 1))
    return text
