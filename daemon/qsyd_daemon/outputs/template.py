"""Texts with named places, `PORT {port}`, for device commands and notices.

A place is a plain name with an optional format of fill, alignment, zero padding, width and type: `{tune:04d}`. There
is no access to attributes or items, no conversion and no nesting, so that a template can reach nothing but the fields
it is given. Braces that are meant as such are doubled.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

WIDTH_MAX = 64
_PLACE = re.compile(r"\{([^{}]*)\}")
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_FORMAT = re.compile(r"(?:[^{}\x00-\x1f\x7f]?[<>^])?0?([0-9]{0,4})([dsxX]?)")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")


class TemplateError(ValueError):
    """A template that cannot be read or filled: `position` counts characters from 0, `word` is what stands there."""

    def __init__(self, text: str, hint: str, position: int, word: str) -> None:
        super().__init__(f"{text}; {hint}")
        self.text = text
        self.hint = hint
        self.position = position
        self.word = word


@dataclass(frozen=True, slots=True)
class _Place:
    position: int
    name: str
    format: str


@dataclass(frozen=True, slots=True)
class Template:
    """A template that was read without fault."""

    text: str
    _parts: tuple[str | _Place, ...]

    @property
    def fields(self) -> tuple[str, ...]:
        """The names used, each once, in order of their first use."""
        return tuple(dict.fromkeys(part.name for part in self._parts if isinstance(part, _Place)))

    @classmethod
    def parse(cls, text: str) -> "Template":
        """Read a template. Raises TemplateError at the first thing that is not one."""
        parts: list[str | _Place] = []
        at = 0
        while at < len(text):
            if text.startswith(("{{", "}}"), at):
                parts.append(text[at])
                at += 2
            elif text[at] == "{":
                match = _PLACE.match(text, at)
                if match is None:
                    raise TemplateError("`{` is never closed", "close it with `}`, or write `{{` for a brace", at, "{")
                parts.append(_place(match[1], at))
                at = match.end()
            elif text[at] == "}":
                raise TemplateError("`}` closes nothing", "write `}}` for a brace", at, "}")
            else:
                match = re.compile(r"[^{}]+").match(text, at)
                assert match is not None
                parts.append(match[0])
                at = match.end()
        return cls(text, tuple(parts))

    def render(self, values: Mapping[str, object]) -> str:
        """Fill the places. Control characters inside values become blanks: no value can start a line of its own.

        Sequences are joined, numbers with a blank, all else with `; `; what is missing or None shows as `-`.
        Raises TemplateError where a value does not fit its format, as a word does not fit `{port:02d}`.
        """
        return "".join(part if isinstance(part, str) else _filled(part, values.get(part.name)) for part in self._parts)


def _place(inside: str, at: int) -> _Place:
    name, _, spec = inside.partition(":")
    if not _NAME.fullmatch(name):
        hint = "write one name in braces, such as {port}, or `{{` for a brace"
        if "!" in name or "." in name or "[" in name:
            hint = "only the plain name of a field may stand there, such as {port}"
        raise TemplateError(f"`{{{inside}}}` is not a field", hint, at, inside)
    match = _FORMAT.fullmatch(spec)
    if match is None:
        raise TemplateError(f"`{spec}` is not a format", "write a width such as {tune:5} or {tune:05d}", at, inside)
    if int(match[1] or 0) > WIDTH_MAX:
        raise TemplateError(f"width {match[1]} is too wide", f"use at most {WIDTH_MAX}", at, inside)
    return _Place(at, name, spec)


def _filled(place: _Place, value: object) -> str:
    match value:
        case None:
            value = "-"
        case bool():
            value = "true" if value else "false"
        case list() | tuple():
            value = (" " if all(isinstance(item, int) for item in value) else "; ").join(map(str, value))
        case int():
            pass
        case _:
            value = str(value)
    if isinstance(value, str):
        value = _CONTROL.sub(" ", value)
    try:
        return format(value, place.format)
    except ValueError as error:
        raise TemplateError(
            f"`{value}` does not fit the format `{place.format}` of {{{place.name}}}",
            "use d, x and X for numbers only, s for words only",
            place.position,
            place.name,
        ) from error
